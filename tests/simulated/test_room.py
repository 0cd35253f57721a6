"""Reverberation times against rooms of known decay: exponentially decaying noise, and images of a shoebox."""

import numpy as np
import pytest
from support.clapped_rooms import claps, impulse_response, write

from taptest.calibrate.room import OCTAVES_HZ, band_decay, measure_room, octave, statistical_u_rel
from taptest.config.corrections import RoomDecay
from taptest.core.errors import CalibrationError

RATE = 16_000


@pytest.mark.parametrize("reverberation_s", [0.15, 0.5, 1.5])
def test_known_decays_are_recovered(reverberation_s):
    """Mean over rooms within 3 %, single ones as far off as stated: a room of noise is itself only one sample."""
    rng = np.random.default_rng(7)
    off, stated = [], []
    for _ in range(24):
        response = impulse_response(rng, reverberation_s)
        quiet = 2e-4 * rng.normal(size=len(response) + 2 * RATE)
        sound = quiet.copy()
        sound[: len(response)] += response
        for centre in (500.0, 1000.0, 2000.0):
            noise = float(np.mean(octave(quiet, RATE, centre) ** 2))
            decay = band_decay(octave(sound, RATE, centre) ** 2, RATE, noise)
            off.append(decay.times_s["T30"] / reverberation_s - 1)
            stated.append(statistical_u_rel(reverberation_s, centre, 30.0))
    assert abs(np.mean(off)) < 0.02
    score = np.array(off) / np.array(stated)
    assert 0.8 < float(np.sqrt(np.mean(score**2))) < 1.25


@pytest.mark.parametrize("noise_db", [-40, -44, -52, -70])
def test_an_exponential_on_a_floor_is_read_exactly(noise_db):
    """Energy exp(-13.816 t/T) + N without any randomness: both corrections of the backward integral must cancel [derived]."""
    time = np.arange(2 * RATE) / RATE
    noise = 10 ** (noise_db / 10)
    decay = band_decay(np.exp(-2 * 6.907755 * time / 0.5) + noise, RATE, noise)
    assert decay.times_s["T20" if noise_db > -50 else "T30"] == pytest.approx(0.5, rel=3e-3)


def test_noise_is_taken_out():
    rng = np.random.default_rng(8)
    compensated, plain = [], []
    for _ in range(20):
        response = impulse_response(rng, 0.5)
        noise = 10 ** (-49 / 20) * rng.normal(size=6 * RATE)
        sound = noise.copy()
        sound[: len(response)] += response
        band = octave(sound, RATE, 1000.0) ** 2
        compensated.append(band_decay(band, RATE, float(np.mean(octave(noise, RATE, 1000.0) ** 2))).times_s["T20"])
        level = 10 * np.log10(np.cumsum(band[::-1])[::-1])
        part = (level < level[0] - 5) & (level > level[0] - 25)
        plain.append(-60 / np.polyfit(np.flatnonzero(part) / RATE, level[part], 1)[0])
    assert np.mean(compensated) == pytest.approx(0.5, rel=0.03)
    assert np.mean(plain) > 1.05 * 0.5  # control: the plain integral of the same sound reads longer


def test_statistical_uncertainty_has_the_standard_s_two_numbers():
    # ISO 3382-1:2009, 7.1, after Davy: 0.88 and 0.55 over the root of B T for T20 and T30, many averages [from memory].
    # The bandwidth of an octave is 0.71 of its centre.
    for reach, constant in ((20.0, 0.88), (30.0, 0.55)):
        assert statistical_u_rel(0.8, 500.0, reach) * np.sqrt(0.71 * 500 * 0.8) == pytest.approx(constant, rel=0.01)


def shoebox(size_m, source_m, microphone_m, reflection, seconds, rate=48_000):
    """Squared sound of every image of a source in a rectangular room, at its time of arrival (Allen and Berkley 1979).

    Energies, so that no interference hides the decay: amplitude reflection^count / (4 pi r).
    """
    reach = 343.0 * seconds
    ranges = [np.arange(-int(reach / (2 * side)) - 1, int(reach / (2 * side)) + 2) for side in size_m]
    arrival = np.zeros(round(seconds * rate))
    grid = np.meshgrid(*ranges, indexing="ij")
    for parity in np.ndindex(2, 2, 2):
        away = np.zeros(grid[0].shape)
        bounces = np.zeros(grid[0].shape)
        for axis, side in enumerate(size_m):
            place = 2 * grid[axis] * side + (-1) ** parity[axis] * source_m[axis]
            away += (place - microphone_m[axis]) ** 2
            bounces += np.abs(2 * grid[axis] - parity[axis])
        away = np.sqrt(away)
        heard = away < reach * 0.999
        index = (away[heard] / 343.0 * rate).astype(int)
        np.add.at(arrival, index, reflection ** (2 * bounces[heard]) / (4 * np.pi * away[heard]) ** 2)
    return arrival


def test_a_room_of_image_sources():
    """Against the straight part of the images' own energy, read by least squares without any of our code.

    In a shoebox the sound is not diffuse, so the formulas of Sabine and Eyring are only near: the truth is the sum of images.
    """
    rng = np.random.default_rng(11)
    rate = 48_000
    energy = shoebox((4.1, 3.3, 2.6), (1.2, 0.9, 1.1), (2.7, 2.2, 1.4), 0.88, 0.9)
    left = np.cumsum(energy[::-1])[::-1]
    level = 10 * np.log10(left / left[0] + 1e-30)
    part = (level < -5) & (level > -35)
    truth = -60 / np.polyfit(np.flatnonzero(part) / rate, level[part], 1)[0]
    # Every image arrives with a sign of its own, as from walls that scatter.
    response = np.sqrt(energy) * rng.choice([-1.0, 1.0], size=len(energy))
    found = []
    for centre in (500.0, 1000.0, 2000.0):
        band = np.concatenate([octave(np.concatenate([response, np.zeros(rate)]), rate, centre)]) ** 2
        found.append(band_decay(band, rate, float(band.max()) * 1e-9).times_s["T30"])
    assert np.mean(found) == pytest.approx(truth, rel=0.03)
    volume, surface = 4.1 * 3.3 * 2.6, 2 * (4.1 * 3.3 + 4.1 * 2.6 + 3.3 * 2.6)
    eyring = (
        -0.161 * volume / (surface * np.log(0.88**2))
    )  # Eyring 1930: T = 0.161 V / (-S ln(1 - alpha)) [from memory]
    assert truth == pytest.approx(eyring, rel=0.25)


def test_claps_and_bursts_in_a_recording(tmp_path):
    rng = np.random.default_rng(3)
    response = impulse_response(rng, 0.6)
    result = measure_room([write(tmp_path / "claps.wav", claps(rng, [response] * 3))])
    assert result.decays == 3 and result.unread == ()
    for band in result.bands[2:]:
        assert band.method == "T30"
        assert band.reverberation_s == pytest.approx(0.6, abs=3 * band.reverberation_u_s)
        assert 0.01 < band.reverberation_u_s / 0.6 < 0.12
    burst = np.convolve(rng.normal(size=round(0.8 * RATE)), response)
    burst *= 2 / np.abs(burst).max()
    stopped = measure_room([write(tmp_path / "bursts.wav", claps(rng, [burst] * 3))])
    for band in stopped.bands[3:]:
        assert band.reverberation_s == pytest.approx(0.6, rel=0.12)


def test_hum_does_not_hide_the_bass(tmp_path):
    rng = np.random.default_rng(5)
    sound = claps(rng, [impulse_response(rng, 0.5)] * 3, noise=1e-5)
    time = np.arange(len(sound)) / RATE
    sound += 1e-3 * np.sin(2 * np.pi * 49.98 * time) + 2e-3 * np.sin(2 * np.pi * 99.96 * time + 1)
    result = measure_room([write(tmp_path / "hum.wav", sound)])
    assert result.hum.fundamental_hz == pytest.approx(49.98, abs=0.05)
    bass = result.bands[1]
    assert bass.method in ("T20", "T30")
    assert bass.reverberation_s == pytest.approx(0.5, abs=3 * bass.reverberation_u_s)


def test_places_are_averaged_and_scatter_is_uncertainty(tmp_path):
    rng = np.random.default_rng(9)
    paths = [write(tmp_path / f"{n}.wav", claps(rng, [impulse_response(rng, 0.5)] * 2)) for n in range(4)]
    one, four = measure_room(paths[:1]), measure_room(paths)
    for single, mean in zip(one.bands[3:], four.bands[3:], strict=True):
        assert mean.reverberation_u_s < single.reverberation_u_s
        assert mean.reverberation_s == pytest.approx(0.5, abs=3.5 * mean.reverberation_u_s)


def test_two_rates_are_pointed_out(tmp_path):
    rng = np.random.default_rng(13)
    both = impulse_response(rng, 0.25)
    slow = 0.05 * impulse_response(rng, 1.6)
    slow[: len(both)] += both
    result = measure_room([write(tmp_path / "hall.wav", claps(rng, [slow] * 3, noise=3e-6))])
    assert all(band.curved for band in result.bands[3:])
    straight = measure_room([write(tmp_path / "room.wav", claps(rng, [impulse_response(rng, 0.5)] * 3))])
    assert not any(band.curved for band in straight.bands)


def test_what_is_no_room_is_refused_with_a_remedy(tmp_path):
    rng = np.random.default_rng(17)
    time = np.arange(RATE) / RATE
    modes = ((120, 0.01), (190, 0.01), (280, 0.01), (380, 0.01), (500, 0.01), (640, 0.01), (960, 0.01))
    ski = sum(np.exp(-z * 2 * np.pi * f * time) * np.sin(2 * np.pi * f * time) for f, z in modes)
    good = impulse_response(rng, 0.4)
    cases = {
        "tapped ski": (claps(rng, [ski] * 3), "rings in single tones"),
        "silence": (1e-4 * rng.normal(size=4 * RATE), "no clap or burst found"),
        "no lead": (claps(rng, [good] * 2, lead_s=0.2), "of silence before"),
        "clipped": (np.clip(8 * claps(rng, [good] * 2), -1, 1 - 1e-7), "is clipped"),
        "faint": (claps(rng, [good] * 2, noise=2e-2), "clap louder"),
    }
    for name, (sound, said) in cases.items():
        with pytest.raises(CalibrationError, match=said):
            measure_room([write(tmp_path / f"{name}.wav", sound)])
    mixed = measure_room(
        [str(tmp_path / "silence.wav"), write(tmp_path / "good.wav", claps(rng, [good] * 2)), "missing.wav"]
    )
    assert len(mixed.recordings) == 1 and len(mixed.unread) == 2


def test_a_room_between_its_bands():
    room = RoomDecay((125.0, 500.0), (0.8, 0.4))
    assert (room.at(30.0), room.at(125.0), room.at(5000.0)) == (
        pytest.approx(0.8),
        pytest.approx(0.8),
        pytest.approx(0.4),
    )
    assert room.at(250.0) == pytest.approx(np.sqrt(0.8 * 0.4))  # derived: half-way in logarithms
    assert len(OCTAVES_HZ) == 6
