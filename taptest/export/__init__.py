"""Tables and spectra for other programs: written whole or not at all, and read back."""
