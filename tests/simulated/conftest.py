"""Skis that several files judge are simulated once."""

import numpy as np
import pytest
from support.simulated_lots import Workshop, simulated_lot


@pytest.fixture(scope="session")
def workshop():
    return Workshop(1)


@pytest.fixture(scope="session")
def sound_lot(workshop):
    """Thirty skis with nothing wrong."""
    return simulated_lot(workshop, np.random.default_rng(8), 30)
