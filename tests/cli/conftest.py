"""The commands run for themselves, but no recording of a lot or a study is analysed twice."""

import pytest
from support.heard_once import recordings_are_heard_once


@pytest.fixture(autouse=True)
def nothing_is_heard_twice(monkeypatch):
    recordings_are_heard_once(monkeypatch)
