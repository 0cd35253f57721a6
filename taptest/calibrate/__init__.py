"""What corrects a check: dated calibrations of room, recorder clock and loops, where they are kept, and what they change."""
