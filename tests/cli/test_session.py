"""The order of a session: skis, taps, commands, new skis, and what goes wrong on the way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import soundfile
from support.tapped_skis import Desk, taps_of

from taptest.capture.events import Asked, Ended, SkiDone, SkiUp, TapKept, TapRefused, Told
from taptest.capture.lot_table import LotTable
from taptest.capture.session import Session
from taptest.capture.store import Store
from taptest.cli.station import _sound_for
from taptest.config.corrections import Corrections
from taptest.config.settings import Settings
from taptest.core.errors import CaptureError, LotError, TaptestError
from taptest.present.text.live_view import plain_line

OTHER = taps_of("c05r")  # the other ski of the pair: its modes are typically 0.5 to 1 % away
GOOD = taps_of("c05l")
BAD = next(tap for tap in taps_of("c02l") if not tap.accepted)


FULL = "recordings: cannot be written (No space left on device); make room"


class Bench:
    """A session on a folder, with what it told."""

    def __init__(self, folder, desk=None, taps=2, **options):
        self.desk = desk or Desk({"A": "", "B": "", "C": ""})
        self.store, self.told = Store(folder), []
        self.session = Session(self.desk, self.store, self.told.append, taps=taps, **options)
        self.session.start()

    def tap(self, *taps, settle=True):
        for tap in taps:
            self.session.hear(tap, "one")
            if settle:
                self.session.settle()
        return self

    def lines(self, *texts):
        for text in texts:
            self.session.line(text)
        return self

    def kinds(self):
        return [type(each).__name__ for each in self.told]

    def said(self):
        return [each.text for each in self.told if isinstance(each, Told)]

    def up(self):
        return [each.ski_id for each in self.told if isinstance(each, SkiUp)]


@pytest.fixture
def bench(tmp_path):
    return Bench(tmp_path / "r")


def test_guided_through_all_skis_with_bad_taps_in_between(bench):
    bench.tap(GOOD[0], BAD, GOOD[1], BAD, GOOD[2], GOOD[3], GOOD[4], GOOD[0])
    assert bench.kinds() == [
        *("SkiUp", "TapKept", "TapRefused", "TapKept", "FirstLook", "SkiDone"),
        *("SkiUp", "TapRefused", "TapKept", "TapKept", "FirstLook", "SkiDone"),
        *("SkiUp", "TapKept", "TapKept", "FirstLook", "SkiDone", "Told", "Ended"),
    ]
    assert bench.up() == ["A", "B", "C"] and bench.desk.judged == [
        (ski_id, taps) for ski_id in "ABC" for taps in (1, 2, 2)
    ]
    assert bench.desk.cells == {"A": "A.flac", "B": "B.flac", "C": "C.flac"}
    assert bench.session.ended and bench.store.unfinished() == ()
    refused = next(each for each in bench.told if isinstance(each, TapRefused))
    assert refused.reasons == ("double-hit",) and (refused.good, refused.needed) == (1, 2)
    bench.tap(GOOD[0])
    assert bench.kinds()[-1] == "Ended"


def test_a_tap_is_on_the_disk_when_it_is_announced(tmp_path):
    found = []
    store = Store(tmp_path / "r")

    def tell(happening):
        if isinstance(happening, TapKept):
            found.append((happening.good, Store(tmp_path / "r").count("A")))

    session = Session(Desk({"A": ""}), store, tell, taps=5)
    session.start()
    for tap in GOOD[:4]:
        session.hear(tap, "one")
    assert found == [(1, 1), (2, 2), (3, 3), (4, 4)]


def test_a_later_session_goes_on_where_this_one_ended(tmp_path, bench):
    bench.tap(GOOD[0]).lines("q")
    assert bench.told[-1] == Ended((("A", 1),))
    later = Bench(tmp_path / "r", bench.desk)
    assert later.told[0] == SkiUp("A", 1, 2, 3)
    later.tap(GOOD[1])
    assert bench.desk.cells["A"] == "A.flac"


def test_what_was_complete_but_not_entered_is_entered_at_the_start(tmp_path):
    desk = Desk({"A": "", "B": ""}, fails={"enter": LotError("lot.csv: locked; close it")})
    first = Bench(tmp_path / "r", desk).tap(GOOD[0], GOOD[1])
    assert first.said() == ["lot.csv: locked; close it"] and first.up() == ["A", "B"]
    first.lines("q")
    desk.fails.clear()
    second = Bench(tmp_path / "r", desk)
    assert desk.cells["A"] == "A.flac" and second.up() == ["B"] and "complete before" in second.said()[0]
    assert sorted(path.name for path in (tmp_path / "r").glob("*.flac")) == ["A.flac"]


def test_drop_repeat_and_skip(tmp_path, bench):
    bench.tap(GOOD[0]).lines("d")
    assert bench.session.status().good == 0 and "moved to 'dropped'" in bench.session.status().told.text
    bench.lines("drop")
    assert "no tap" in bench.said()[-1]
    bench.tap(GOOD[0]).lines("r")
    assert bench.session.status().good == 0 and bench.session.status().ski_id == "A"
    bench.tap(GOOD[0]).lines("s")
    assert bench.session.status().ski_id == "B" and bench.store.count("A") == 1
    bench.tap(GOOD[0], GOOD[1])
    assert bench.session.status().ski_id == "C"
    assert len(list((tmp_path / "r" / "dropped").iterdir())) == 2


def test_repeat_right_after_a_verdict_takes_the_ski_before_once_more(tmp_path, bench):
    bench.tap(GOOD[0], GOOD[1]).lines("r")
    assert bench.session.status().ski_id == "A" and bench.desk.cells["A"] == "A.flac"
    bench.tap(GOOD[2], GOOD[3])
    assert bench.desk.cells["A"] == "A_2.flac"
    assert {path.name for path in (tmp_path / "r").glob("*.flac")} == {"A.flac", "A_2.flac"}
    assert bench.session.status().ski_id == "B"


def test_in_scan_order_no_tap_goes_to_a_ski_that_was_not_announced(bench):
    bench.lines("C").tap(GOOD[0], GOOD[1])
    assert bench.desk.cells["C"] == "C.flac" and bench.session.status().ski_id is None
    bench.tap(GOOD[2])
    assert "no ski is up" in bench.told[-1].text and bench.store.unfinished() == ()
    bench.lines("")
    assert bench.session.status().ski_id == "A"
    bench.lines("C")
    assert "already (C.flac)" in bench.said()[-1] and bench.session.status().ski_id == "C"


def test_the_last_tap_can_be_dropped_before_it_has_rung_out(bench):
    bench.tap(GOOD[0], GOOD[1], settle=False)
    assert bench.kinds()[-1] == "FirstLook" and bench.session.status().ski_id == "A"
    bench.lines("d")
    assert bench.session.status().good == 1 and bench.desk.cells["A"] == ""
    bench.tap(GOOD[2], settle=False).lines("n loose tip")
    assert bench.desk.cells["A"] == "A.flac" and bench.desk.notes == {"B": "loose tip"}


def test_what_follows_a_tap_is_added_to_it(tmp_path, bench):
    whole = GOOD[0]
    half = len(whole.samples) // 2
    bench.session.hear(replace(whole, samples=whole.samples[:half]), "one")
    bench.session.settle(whole.samples[half:])
    (path,) = (tmp_path / "r" / "unfinished" / "A").iterdir()
    assert np.array_equal(soundfile.read(path)[0], whole.samples)
    bench.lines("d")
    bench.session.settle(whole.samples)
    assert bench.store.count("A") == 0


def test_the_first_look_is_at_this_skis_taps_only(tmp_path):
    looked = []

    class Looking(Desk):
        def judge(self, ski_id, analyses, settings=None):
            looked.append((ski_id, list(analyses)))
            return super().judge(ski_id, analyses)

    Bench(tmp_path / "r", Desk({"A": "", "B": ""}), taps=3).lines("B").tap(GOOD[0], GOOD[1])
    bench = Bench(tmp_path / "r", Looking({"A": "", "B": ""}), taps=3)
    # Two taps of A, then to B, of which an earlier session kept two: with one more there are three heard now, but not of B.
    bench.lines("A").tap(GOOD[2], GOOD[3]).lines("B").tap(GOOD[4])
    first = next(analyses for ski_id, analyses in looked if ski_id == "B")
    assert sum(len(each.accepted) for each in first) == 3
    assert [[each is tap.analysis for tap in GOOD].count(True) for each in first] == [0, 0, 1]
    assert first[2] is GOOD[4].analysis
    bench.lines("A", "d").tap(GOOD[0], GOOD[1])
    assert max(sum(len(each.accepted) for each in analyses) for ski_id, analyses in looked if ski_id == "A") == 3
    # All of one ski's taps heard in one go: their own analyses, at no further cost.
    fresh = Bench(tmp_path / "s", Looking({"A": ""}), taps=2)
    looked.clear()
    fresh.tap(GOOD[0], GOOD[1])
    assert looked[0] == ("A", [GOOD[0].analysis])
    assert looked[1] == ("A", [GOOD[0].analysis, GOOD[1].analysis])


def test_one_ski_only(tmp_path):
    bench = Bench(tmp_path / "r", only="B").tap(*GOOD[:3])
    assert bench.desk.judged == [("B", 1), ("B", 2), ("B", 2)] and bench.session.ended


def test_ids_win_over_commands(tmp_path):
    bench = Bench(tmp_path / "r", Desk({"A": "", "s": "", "q": ""})).lines("q")
    assert not bench.session.ended and bench.session.status().ski_id == "q"


def test_notes(bench):
    bench.lines("n tip is loose")
    assert bench.desk.notes == {"A": "tip is loose"}
    bench.lines("n", "of the second kind").tap(GOOD[0], GOOD[1])
    assert bench.desk.notes == {"A": "of the second kind"} and bench.session.status().ski_id == "B"
    bench.lines("n", "")
    assert "B" not in bench.desk.notes and bench.session.status().ski_id == "B"


def test_an_unknown_id_is_asked_about(bench):
    bench.lines("X9")
    assert isinstance(bench.told[-1], Asked) and "X9" in bench.told[-1].question
    bench.tap(GOOD[0])
    assert bench.store.unfinished() == () and "answer the question" in bench.told[-1].text
    bench.lines("perhaps", "n")
    assert bench.session.status().ski_id == "A" and "X9" not in bench.desk.cells
    bench.lines("X9", "y", "-")
    assert bench.session.status().ski_id == "A" and "X9" not in bench.desk.cells
    bench.lines("X9", "y", "520")
    assert bench.session.status().ski_id == "X9"
    bench.tap(GOOD[0], GOOD[1])
    assert bench.desk.cells["X9"] == "X9.flac"


def test_one_unknown_ski_that_nobody_adds_ends_it(tmp_path):
    bench = Bench(tmp_path / "r", only="Z").lines("n")
    assert bench.session.ended and bench.store.unfinished() == ()


def test_text_from_outside_is_printable(bench):
    bench.lines("\x1b[2J\x07evil")
    assert all(character.isprintable() for character in bench.told[-1].question)


def test_a_tap_that_cannot_be_stored_is_not_announced(bench, monkeypatch):
    def full(*_):
        raise CaptureError(FULL)

    with monkeypatch.context() as patch:
        patch.setattr(bench.store, "keep", full)
        bench.tap(GOOD[0])
    lost = bench.told[-1]
    assert lost.tap_lost and lost.trouble and lost.message.subject.ski == "A" and lost.text.endswith(FULL)
    assert bench.session.status().told is lost and _sound_for(lost) == "repeat"
    bench.tap(GOOD[0])
    assert isinstance(bench.told[-1], TapKept) and bench.told[-1].good == 1


@pytest.mark.parametrize("step", ["judge", "waiting"])
def test_a_table_that_fails_does_not_end_the_session(tmp_path, step):
    bench = Bench(tmp_path / "r").tap(GOOD[0])
    bench.desk.fails[step] = LotError("lot.csv: gone; bring it back")
    bench.tap(GOOD[1])
    assert any("lot.csv: gone; bring it back" in text for text in bench.said()) and not bench.session.ended
    done = next(each for each in bench.told if isinstance(each, SkiDone))
    assert done.taps == 2 and (done.verdict is None) == (step == "judge")
    assert bench.desk.cells["A"] == "A.flac"


def test_a_damaged_tap_is_named_and_the_others_stay(tmp_path, bench):
    bench.tap(GOOD[0])
    (path,) = (tmp_path / "r" / "unfinished" / "A").iterdir()
    path.write_bytes(path.read_bytes()[:200])
    bench.tap(GOOD[1])
    assert any("cannot be read" in text for text in bench.said())
    assert bench.store.count("A") == 2 and bench.session.status().ski_id == "B"


def test_a_ski_that_is_gone_from_the_table_is_told(tmp_path, bench):
    bench.tap(GOOD[0]).lines("q")
    later = Bench(tmp_path / "r", Desk({"B": ""}))
    assert "which is not in the table" in later.said()[0] and later.up() == ["B"]


def test_a_table_that_cannot_be_read_at_the_start_is_an_error(tmp_path):
    with pytest.raises(TaptestError):
        Bench(tmp_path / "r", Desk({"A": ""}, fails={"waiting": LotError("gone; bring it back")}), only="A")


# --- a swapped ski -------------------------------------------------------------------------------------------------


def differing(bench):
    return [each.differs for each in bench.told if isinstance(each, TapKept)]


def test_a_swapped_ski_is_told_after_its_first_tap_and_does_not_count(tmp_path):
    bench = Bench(tmp_path / "r", taps=3).tap(GOOD[0], GOOD[1], OTHER[0])
    told = differing(bench)
    assert told[:2] == [None, None] and (told[2].taps, told[2].others) == ((3,), (1, 2))
    assert [_sound_for(each) for each in bench.told if isinstance(each, TapKept)] == ["good", "good", "repeat"]
    assert 0.5 < told[2].percent <= 4.0
    assert bench.session.status().good == 2 and bench.store.count("A") == 3 and bench.desk.cells["A"] == ""
    assert "tap 3 sounds like another ski than taps 1 and 2" in plain_line(bench.told[-1])
    bench.tap(GOOD[2])
    # Joined of the three that agree: the other one lies in 'dropped', and what is judged has never been averaged over it.
    assert bench.desk.cells["A"] == "A.flac" and bench.desk.judged == [("A", taps) for taps in (1, 2, 2, 3, 3)]
    assert "tap 3 sounds like another ski and went to 'dropped'" in bench.said()[0]
    assert len(list((tmp_path / "r" / "dropped").iterdir())) == 1
    done = next(each for each in bench.told if isinstance(each, SkiDone))
    fresh = Bench(tmp_path / "s", taps=3).tap(*GOOD[:3])
    alone = next(each for each in fresh.told if isinstance(each, SkiDone))
    assert [m.frequency_hz for m in done.modes] == pytest.approx([m.frequency_hz for m in alone.modes], rel=1e-4)


def test_whichever_ski_gets_enough_taps_is_the_one(tmp_path):
    bench = Bench(tmp_path / "r", taps=3).tap(OTHER[0], GOOD[0], GOOD[1])
    assert differing(bench)[2].taps == (1,) and bench.session.status().good == 2
    bench.tap(GOOD[2])
    assert bench.desk.cells["A"] == "A.flac" and "tap 1 sounds" in bench.said()[0]


def test_the_last_tap_of_another_ski_can_be_dropped(tmp_path):
    bench = Bench(tmp_path / "r", taps=3).tap(GOOD[0], OTHER[0]).lines("d").tap(GOOD[1], GOOD[2])
    assert bench.desk.cells["A"] == "A.flac" and differing(bench)[-2:] == [None, None]
    assert len(list((tmp_path / "r" / "dropped").iterdir())) == 1


def test_taps_that_differ_count_all_the_same_when_told_so(tmp_path):
    """A ski with a loose part may never sound twice alike: whoever is sure of it must get on."""
    bench = Bench(tmp_path / "r", taps=3).lines("k").tap(GOOD[0], OTHER[0], GOOD[1])
    assert "count already" in bench.said()[0] and bench.session.status().good == 2
    bench.lines("k")
    assert bench.desk.cells["A"] == "A.flac" and "though they sound like two skis" in bench.said()[1]
    assert bench.desk.judged[-1] == ("A", 3) and not (tmp_path / "r" / "dropped").exists()


def test_a_ski_swapped_overnight_is_told_too(tmp_path):
    first = Bench(tmp_path / "r", taps=3).tap(GOOD[0], GOOD[1]).lines("q")
    second = Bench(tmp_path / "r", first.desk, taps=3).tap(OTHER[1])
    assert differing(second)[0].taps == (3,) and second.desk.cells["A"] == ""
    second.lines("q")
    # Three taps are there, but they are not three of one ski.
    third = Bench(tmp_path / "r", first.desk, taps=3)
    assert third.session.status().good == 2 and third.desk.cells["A"] == ""


# --- settings ------------------------------------------------------------------------------------------------------


def test_first_verdicts_take_the_settings_of_the_session(tmp_path):
    """All of them but the channel, which a kept tap has one of, whichever it was chosen from."""
    asked = []

    class Asking(Desk):
        def judge(self, ski_id, analyses, settings=None):
            asked.append(settings)
            return super().judge(ski_id, analyses)

    settings = Settings(room_s=0.4, channel=2, false_alarm_rate=0.02, corrections=Corrections(clock_factor=1.001))
    Bench(tmp_path / "r", Asking({"A": ""}), settings=settings).tap(GOOD[0], GOOD[1])
    assert asked and all(each == replace(settings, channel=None) for each in asked)


def test_a_clock_that_is_known_moves_the_first_verdict(tmp_path):
    path = tmp_path / "lot.csv"
    heading = "ski_id,construction,length_mm,mass_g,stiffness_n_per_mm,span_mm\n"
    path.write_text(heading + "17L,classic_generic,1990,513,5.035,1400\n", encoding="utf-8")
    heard, table = [tap.analysis for tap in GOOD], LotTable(path)
    plain = table.judge("17L", heard)
    # A frequency is proportional to the clock of whoever measures it.
    corrected = table.judge("17L", heard, Settings(corrections=Corrections(clock_factor=1.001)))
    assert corrected.first_mode_hz == pytest.approx(1.001 * plain.first_mode_hz, rel=1e-6)
