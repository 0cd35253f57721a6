"""How results are shown, one medium in each room; takes results only, and no number is worked out here."""
