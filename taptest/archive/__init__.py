"""Thousands of recordings: found, shared among processes or machines, and their results kept so that a run can go on."""
