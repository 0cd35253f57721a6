"""Which resonance is which mode: one ski and a whole lot heard, predicted and placed."""
