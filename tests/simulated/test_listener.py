"""Taps judged while the sound goes on: the same as of the recording as a whole, whatever the blocks, and losing nothing.

The truth is where sounds were put (struck_sounds, recordings_demo) and what ``analyse`` says of the whole recording.
"""

from __future__ import annotations

import resource
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from support.places import DEMO
from support.struck_sounds import LOUD, good, hum, random_recording, struck, voice

from taptest.capture.listener import Listener
from taptest.capture.stream import Block, HeardTap, Level
from taptest.config.settings import Settings
from taptest.core.errors import CaptureError, RecordingError
from taptest.io.recording import from_samples, read_recording
from taptest.signal.analysis import analyse

Real = NDArray[np.float64]
RATE_HZ = 16_000
ONSETS = [0.7, 2.2, 3.7]
DEMO = sorted(DEMO.glob("*.flac"))


def heard(samples: Real, rate_hz: int = RATE_HZ, *, sizes=lambda: 320, settings: Settings | None = None):
    """Everything that a listener says of a sound cut into blocks of the given sizes."""
    listener, events, start = Listener(rate_hz, settings=settings), [], 0
    shaped = np.asarray(samples, np.float32).reshape(len(samples), -1)
    while start < len(shaped):
        size = sizes()
        events += listener.feed(Block(shaped[start : start + size]))
        start += size
    return events + listener.finish()


def taps_of(events) -> list[HeardTap]:
    return [event for event in events if isinstance(event, HeardTap)]


def compared(samples: Real, rate_hz: int, **how) -> tuple[list[HeardTap], list[tuple[float, bool]]]:
    """Taps as heard, and (onset [s], accepted) as ``analyse`` has them of the same samples."""
    single = np.asarray(samples, np.float32)
    whole = analyse(from_samples(single, rate_hz))
    return taps_of(heard(single, rate_hz, **how)), [(t.onset / rate_hz, t.accepted) for t in whole.taps]


def disagreements(live: list[HeardTap], whole: list[tuple[float, bool]]) -> int:
    """Taps judged otherwise; a missed or invented one counts as a failure at once."""
    assert len(live) == len(whole), ([t.onset_s for t in live], whole)
    for tap, (onset_s, _) in zip(live, whole, strict=True):
        assert tap.onset_s == pytest.approx(onset_s, abs=2e-3)
    return sum(tap.accepted != accepted for tap, (_, accepted) in zip(live, whole, strict=True))


def test_good_taps_are_heard_where_they_were_struck() -> None:
    live = taps_of(heard(good()))
    assert [tap.reasons for tap in live] == [(), (), ()]
    assert np.abs(np.array([tap.onset_s for tap in live]) - ONSETS).max() < 1e-3
    for tap in live:
        # What is kept begins with silence and holds the contact where it says.
        silence, contact = tap.samples[: tap.onset - 100], tap.samples[tap.onset : tap.onset + 200]
        assert np.abs(contact).max() > 20 * np.abs(silence).max()
        assert tap.samples.dtype == np.float32 and tap.sample_rate_hz == RATE_HZ


def test_blocks_of_any_size_give_the_same() -> None:
    samples = good(3)
    rng = np.random.default_rng(1)
    ways = [lambda: 320, lambda: 1, lambda: len(samples), lambda: int(rng.integers(1, 4000))]
    first, *others = (
        [(t.onset_s, t.reasons, t.samples.tobytes()) for t in taps_of(heard(samples, sizes=way))] for way in ways
    )
    assert len(first) == 3
    for other in others:
        assert other == first


def test_what_is_kept_is_the_source_bit_for_bit() -> None:
    samples = np.asarray(good(4), np.float32)
    for tap in taps_of(heard(samples)):
        begin = round(tap.onset_s * RATE_HZ) - tap.onset
        np.testing.assert_array_equal(tap.samples, samples[begin : begin + len(tap.samples)])


def test_joined_taps_say_what_the_recording_says() -> None:
    """Within 0.01 %: taps as close together as in practice are kept without a gap."""
    rng = np.random.default_rng(6)
    modes = [(110.0, 0.010, 0.5), (168.0, 0.011, 1.0), (335.0, 0.010, 0.9), (690.0, 0.009, 0.3)]
    samples = struck(rng, [0.9, 2.4, 3.9], seconds=5.4, rate_hz=48_000, snr_db=60, modes=modes)
    live = taps_of(heard(samples, 48_000))
    assert all(tap.accepted for tap in live)
    whole = analyse(from_samples(np.asarray(samples, np.float32), 48_000))
    joined = analyse(from_samples(np.concatenate([tap.samples for tap in live]), 48_000))
    assert len(joined.modes) == len(whole.modes) == 4
    for mode, other in zip(joined.modes, whole.modes, strict=True):
        assert mode.frequency_hz == pytest.approx(other.frequency_hz, rel=1e-4)


def test_the_first_look_finds_the_strong_modes() -> None:
    modes = [(168.0, 0.011, 1.0), (335.0, 0.010, 0.9)]
    samples = struck(np.random.default_rng(7), ONSETS, seconds=5.2, modes=modes, snr_db=60)
    for tap in taps_of(heard(samples)):
        found = [mode.frequency_hz for mode in tap.analysis.modes]
        assert found == pytest.approx([168.0, 335.0], rel=1e-3)
        assert tap.analysis.taps[0].onset == tap.onset


SKIS = [path for path in DEMO if path.stem[1:3].isdecimal()]


@pytest.mark.parametrize("path", SKIS[::5], ids=lambda path: path.stem)
def test_a_few_demo_recordings_as_analyse_has_them(path: Path) -> None:
    recording = read_recording(path)
    live, whole = compared(recording.samples[:, 0], recording.sample_rate_hz)
    assert disagreements(live, whole) == 0


@pytest.mark.slow
def test_the_whole_demo_as_analyse_has_it() -> None:
    rng = np.random.default_rng(11)
    wrong = count = 0
    for path in DEMO:
        recording = read_recording(path)
        live, whole = compared(
            recording.samples[:, 0], recording.sample_rate_hz, sizes=lambda: int(rng.integers(1, 5000))
        )
        wrong += disagreements(live, whole)
        count += len(whole)
    assert count > 120
    assert wrong <= count / 100


@pytest.mark.slow
def test_random_recordings_as_analyse_has_them() -> None:
    wrong = count = 0
    for seed in range(25):
        samples, rate_hz, _ = random_recording(300 + seed)
        live, whole = compared(samples, rate_hz)
        wrong += disagreements(live, whole)
        count += len(whole)
    assert wrong <= count / 100


def test_a_bump_of_the_noise_behind_a_ring_is_no_tap() -> None:
    """Two recordings (found among two hundred) in which the noise rises by chance just when a ring has sunk into it."""
    for seed in (18, 91):
        samples, rate_hz, _ = random_recording(seed)
        live, whole = compared(samples, rate_hz)
        assert disagreements(live, whole) == 0


def test_what_is_kept_never_overlaps() -> None:
    samples = struck(np.random.default_rng(4), [0.7, 1.6, 2.5, 3.4], seconds=4.6)
    live = taps_of(heard(samples))
    assert [tap.accepted for tap in live] == [True] * 4
    begins = [round(tap.onset_s * RATE_HZ) - tap.onset for tap in live]
    ends = [begin + len(tap.samples) for begin, tap in zip(begins, live, strict=True)]
    # So close together, nothing is left out between them either.
    assert begins[1:] == ends[:-1]


def test_a_floating_point_source_above_full_scale_does_not_clip_there() -> None:
    loud = 4 * good(1)
    live, whole = compared(loud, RATE_HZ)
    assert np.abs(loud).max() > 1.1 and disagreements(live, whole) == 0
    assert all(tap.accepted for tap in live)


def test_a_tap_among_many_thuds_is_refused_as_in_a_recording() -> None:
    thud = ((95.0, 0.08, 1.0), (180.0, 0.08, 0.8), (310.0, 0.09, 0.5))
    samples = struck(np.random.default_rng(10), [0.7, 1.9, 3.1], seconds=6.0, modes=thud)
    samples += struck(np.random.default_rng(11), [4.3], seconds=6.0)
    live, whole = compared(samples, RATE_HZ)
    assert disagreements(live, whole) == 0
    assert [tap.accepted for tap in live] == [False] * 4 and live[3].reasons == ("noisy",)


@pytest.mark.parametrize("gap_s", [0.03, 0.1, 0.25, 0.5])
@pytest.mark.parametrize("weaker_db", [0.0, 10.0])
def test_two_contacts_close_together(gap_s: float, weaker_db: float) -> None:
    onsets = [0.7, 0.7 + gap_s, 2.2, 3.7]
    samples = struck(np.random.default_rng(4), onsets, seconds=5.2, strengths=[1.0, 10 ** (-weaker_db / 20), 1.0, 0.7])
    live, whole = compared(samples, RATE_HZ)
    assert disagreements(live, whole) == 0


def test_bad_taps_are_refused_with_the_reason_of_analyse() -> None:
    clipped = np.clip(
        1.2 * struck(np.random.default_rng(2), ONSETS, seconds=5.2, strengths=[1.0, 0.4, 0.4]) / LOUD, -1, 1
    )
    talk = good()
    talk[round(2.35 * RATE_HZ) : round(3.15 * RATE_HZ)] += 0.3 * voice(np.random.default_rng(9), 0.8)
    thud = ((95.0, 0.08, 1.0), (180.0, 0.08, 0.8), (310.0, 0.09, 0.5))
    dull = struck(np.random.default_rng(10), ONSETS, seconds=5.2, modes=thud)
    for samples, reason in ((clipped, "clipped"), (talk, "noisy"), (dull, "no-ring")):
        live, whole = compared(samples, RATE_HZ)
        assert disagreements(live, whole) == 0
        assert any(reason in tap.reasons for tap in live)


def test_noise_hum_and_silence_hold_no_tap() -> None:
    noise = 0.01 * np.random.default_rng(12).standard_normal(20 * RATE_HZ)
    for samples in (noise, hum(20, RATE_HZ, 50.0, [0.01, 0.005, 0.003]) + 0.1 * noise, np.zeros(20 * RATE_HZ)):
        assert taps_of(heard(samples)) == []


def test_a_tap_at_the_very_start_and_one_cut_off_by_the_end() -> None:
    samples = struck(np.random.default_rng(5), [0.005, 1.6, 3.2], seconds=3.4)
    live, whole = compared(samples, RATE_HZ)
    assert disagreements(live, whole) == 0
    assert live[-1].reasons == ("cut-short",)


def test_the_verdict_comes_within_a_quarter_of_a_second_of_the_rings_end() -> None:
    """In the time of the sound itself; how long the computing takes is measured in benchmarks/capture.py."""
    listener, samples = Listener(RATE_HZ), np.asarray(good(), np.float32)[:, None]
    late = []
    for start in range(0, len(samples), 160):
        for tap in taps_of(listener.feed(Block(samples[start : start + 160]))):
            late.append((start + 160) / RATE_HZ - tap.onset_s - tap.analysis.taps[0].ring_s)
    # The least wait is what tells a moving floor (0.21 s), or what a second contact may hide in (0.47 s from the first).
    assert len(late) == 3 and max(late) < 0.25


def test_lost_samples_refuse_the_tap_they_touch_and_no_other() -> None:
    samples = np.asarray(good(5), np.float32)[:, None]
    gone = slice(round(2.3 * RATE_HZ), round(2.33 * RATE_HZ))
    listener = Listener(RATE_HZ)
    events = listener.feed(Block(samples[: gone.start]))
    events += listener.feed(Block(samples[gone.stop :], lost_frames=gone.stop - gone.start))
    live = taps_of(events + listener.finish())
    assert ["dropped-samples" in tap.reasons for tap in live] == [False, True, False]
    # What was lost took its time: the third is where it was struck.
    assert live[2].onset_s == pytest.approx(3.7, abs=2e-3)
    assert listener.lost_frames == gone.stop - gone.start
    # The same samples with nothing said to be lost: two good taps at least.
    assert taps_of(heard(np.delete(samples, np.r_[gone], axis=0)))[2].accepted


def test_samples_lost_in_the_silence_spoil_no_tap() -> None:
    samples = np.asarray(good(5), np.float32)[:, None]
    listener = Listener(RATE_HZ)
    events = listener.feed(Block(samples[: round(1.9 * RATE_HZ)]))
    events += listener.feed(Block(samples[round(1.95 * RATE_HZ) :], lost_frames=round(0.05 * RATE_HZ)))
    live = taps_of(events + listener.finish())
    assert [tap.reasons for tap in live] == [(), (), ()]
    # What is kept of the second begins behind the gap.
    assert live[1].onset <= round(0.251 * RATE_HZ)


def test_a_contact_swallowed_by_a_gap_is_no_good_tap() -> None:
    samples = np.asarray(good(5), np.float32)[:, None]
    cut = round(2.15 * RATE_HZ), round(2.21 * RATE_HZ)
    listener = Listener(RATE_HZ)
    events = listener.feed(Block(samples[: cut[0]]))
    events += listener.feed(Block(samples[cut[1] :], lost_frames=cut[1] - cut[0]))
    live = taps_of(events + listener.finish())
    assert [tap.accepted for tap in live if not 2.1 < tap.onset_s < 2.3] == [True, True]
    assert all("dropped-samples" in tap.reasons for tap in live if 2.1 < tap.onset_s < 2.3)


def beep(seconds: float) -> Real:
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return 0.2 * np.sin(2 * np.pi * 1000 * time) * np.minimum(1, (seconds - time) / 0.005)


@pytest.mark.parametrize("at_s", [1.6, 1.85])
def test_own_sounds_are_neither_tap_nor_noise(at_s: float) -> None:
    samples = good(8)
    at = round(at_s * RATE_HZ)
    samples[at : at + len(beep(0.12))] += beep(0.12)

    def listened(ignored_s: float) -> list[HeardTap]:
        listener, shaped = Listener(RATE_HZ), np.asarray(samples, np.float32)[:, None]
        events = listener.feed(Block(shaped[: at - 100]))
        if ignored_s:
            listener.ignore(ignored_s)
        return taps_of(events + listener.feed(Block(shaped[at - 100 :])) + listener.finish())

    live = listened(0.2)
    assert [round(tap.onset_s, 1) for tap in live] == ONSETS
    assert [tap.reasons for tap in live] == [(), (), ()]
    # What is kept of the second begins behind the beep.
    assert live[1].onset < (2.2 - at_s - 0.19) * RATE_HZ
    # The beep is one more sound where nothing was said.
    assert [round(tap.onset_s, 2) for tap in listened(0.0)] == [0.7, at_s, 2.2, 3.7]


def test_a_tap_struck_into_an_own_sound_is_not_heard() -> None:
    listener, samples = Listener(RATE_HZ), np.asarray(good(8), np.float32)[:, None]
    events = listener.feed(Block(samples[: round(2.1 * RATE_HZ)]))
    listener.ignore(0.3)
    live = taps_of(events + listener.feed(Block(samples[round(2.1 * RATE_HZ) :])) + listener.finish())
    assert [round(tap.onset_s, 1) for tap in live] == [0.7, 3.7]


def test_levels() -> None:
    samples = 0.01 * np.random.default_rng(3).standard_normal(4 * RATE_HZ)
    samples[3 * RATE_HZ + 100] = 0.5
    levels = [event for event in heard(samples) if isinstance(event, Level)]
    assert len(levels) <= 20 * 4
    # White noise of 0.01: -40 dB; the high-pass takes a few hundredths of a decibel.
    assert levels[30].rms_db == pytest.approx(-40.0, abs=1.0)
    assert levels[30].floor_db == pytest.approx(-40.5, abs=1.0)
    assert levels[-1].peak_db == pytest.approx(20 * np.log10(0.5), abs=0.01)
    assert levels[30].peak_db < -25
    assert np.diff([level.at_s for level in levels]) == pytest.approx(0.05)


def test_the_channel_in_which_taps_stand_out_is_taken() -> None:
    near, far = good(1, snr_db=50.0), good(1, snr_db=20.0)
    both = np.column_stack([far, near])
    live = taps_of(heard(both))
    assert [tap.analysis.channel for tap in live] == [2, 2, 2] and all(tap.accepted for tap in live)
    asked = taps_of(heard(both, settings=Settings(channel=1)))
    assert {tap.analysis.channel for tap in asked} == {1}


def test_talk_teaches_the_listener_to_refuse() -> None:
    """Where twice as many sounds are none, what looks like a tap is refused, as in a recording."""
    path = next(path for path in DEMO if path.stem == "s04r")
    recording = read_recording(path)
    assert not any(tap.accepted for tap in taps_of(heard(recording.samples[:, 0], recording.sample_rate_hz)))


def test_bad_blocks_are_named() -> None:
    listener = Listener(RATE_HZ)
    listener.feed(Block(np.zeros((100, 1), np.float32)))
    with pytest.raises(CaptureError, match="from 1 to 2 channels"):
        listener.feed(Block(np.zeros((100, 2), np.float32)))
    with pytest.raises(CaptureError, match="not numbers"):
        listener.feed(Block(np.full((100, 1), np.nan, np.float32)))
    with pytest.raises(CaptureError, match="choose 1 to 1"):
        Listener(RATE_HZ, settings=Settings(channel=2)).feed(Block(np.zeros((100, 1), np.float32)))
    with pytest.raises(RecordingError, match="nothing above"):
        Listener(8_000, settings=Settings(low_hz=4_000, high_hz=5_000))
    assert Listener(RATE_HZ).finish() == []


def memory_mb() -> float:
    """Resident set now [MB]."""
    with Path("/proc/self/statm").open() as numbers:
        return int(numbers.read().split()[1]) * resource.getpagesize() / 1e6


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="memory is read from /proc")
def test_memory_stays_flat() -> None:
    """Twenty minutes with a tap every two seconds, warm after the first five: over two hours less than 5 MB more."""
    rng = np.random.default_rng(1)
    minute = np.tile(np.asarray(struck(rng, [0.8], seconds=2.0, rate_hz=8_000), np.float32), 30)[:, None]
    listener, taps, used = Listener(8_000), 0, []
    for number in range(20):
        for start in range(0, len(minute), 4_000):
            taps += len(taps_of(listener.feed(Block(minute[start : start + 4_000]))))
        if number >= 5:
            used.append(memory_mb())
    assert taps == 600
    assert max(used) - min(used) < 5.0, used
    assert 120 * np.polyfit(np.arange(len(used)), used, 1)[0] < 5.0, used
