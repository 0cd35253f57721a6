"""What a study says of a measurement: how well it repeats, whether it drifts, how it varies with temperature, how much to do."""
