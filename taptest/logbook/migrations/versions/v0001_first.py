"""The first schema. A new logbook is made from ``taptest/logbook/schema.py`` as it is now, so nothing is to be done here.

What comes later is a migration of its own that brings a logbook of this schema to the tables of `schema.METADATA`.
"""

from __future__ import annotations

revision = "0001"
down_revision = None


def upgrade() -> None:
    """There is nothing older to come from."""
