"""Files that are no plain sound: time series of pickups as text or universal files, and phone recordings."""
