"""What several tests share: places, simulated skis and lots, virtual hardware, servers and terminals."""
