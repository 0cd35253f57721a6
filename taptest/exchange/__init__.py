"""What other programs read and write: tables, spectra and decays."""
