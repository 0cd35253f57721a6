"""Natural frequencies and half-power damping of a hung, tapped ski, and whether it rings as its stiffness and mass say."""

__version__ = "0.1.0"
