"""Where to hang a ski so that the loops neither stiffen nor damp it, and what loops elsewhere do.

With Phi_n the shape of mode n, scaled so that the mass-weighted mean of Phi_n² is 1, loops of equal stiffness that let the ski
bounce at f_b with damping ratio zeta_b change mode n by

    shift of frequency, relative:   1/2 (f_b/f_n)² Phi²                                                          (1)
    damping ratio added:            zeta_b (f_b/f_n) Phi²                                                         (2)

where Phi² is the mean over the two loops: a spring k at x adds k Phi(x)² to the modal stiffness m omega_n², and the loops hold
the ski with 2 k = m (2 pi f_b)²; their dashpots add likewise [1]. A loop at a node of a mode does nothing to it.

References:
    [1] First-order perturbation of the eigenvalues (Rayleigh), derived; see also Carne, Griffith and Casias, Support conditions
        for free boundary-condition modal testing, on damping minding the support much more than frequency.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from taptest.beam.construction import Construction
from taptest.beam.model import Beam, bending_modes
from taptest.config.limits import LIMITS
from taptest.core.errors import CalibrationError, shown
from taptest.io.recording import Recording, read_recording
from taptest.signal.analysis import choose_channel

_LIMITS = LIMITS.loops

Real = NDArray[np.float64]

ORDERS = 6
TOLERANCES_M = (0.01, 0.02, 0.03, 0.05, 0.08)

_ELEMENTS = 240
_INSIDE = 0.45  # loops are looked for in the outer parts, up to here from either end
_BOUNCE_HZ = (1.0, 8.0)
_BLOCKS = 3
_LEAST_SECONDS = 6.0


@dataclass(frozen=True)
class LoopBias:
    """What the loops do to one bending order: relative shift of frequency and added damping ratio.

    ``off_m``: how far both loops sit further in than the nodes of the first mode, where that is what is asked; out is negative.
    """

    order: int
    frequency_hz: float
    shift_rel: float
    damping_added: float
    off_m: float = 0.0


@dataclass(frozen=True)
class Bounce:
    """Bounce of the hung ski, and where it is known from."""

    frequency_hz: float
    damping_ratio: float
    origin: Literal["seen in the recording", "as given", "assumed"] = "assumed"

    @property
    def seen(self) -> bool:
        """Whether it was seen in a recording."""
        return self.origin == "seen in the recording"


@dataclass(frozen=True)
class SuspensionAdvice:
    """Places from the tail [m], and what they cost.

    ``nodes_m``: nodes of the first mode, where its damping is not touched. ``spread_m``: the pair for which the largest damping
    that is added to any of the first orders is smallest. ``loops_m``: those that ``biases`` speak of. ``tail_load`` share of
    the weight on the loop nearer to the tail; ``balance_m`` as given or from the construction.
    """

    length_m: float
    balance_m: float
    first_hz: float
    first_assumed: bool
    bounce: Bounce
    nodes_m: tuple[float, float]
    spread_m: tuple[float, float]
    loops_m: tuple[float, float]
    tail_load: float
    biases: tuple[LoopBias, ...]
    spread_biases: tuple[LoopBias, ...]
    misplaced: tuple[LoopBias, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class HungShapes:
    """Mode shapes over ``station_m``, one row an order, the mass-weighted mean of each squared being 1; ratios f_n/f_1."""

    station_m: Real
    shapes: Real
    ratios: Real
    balance_m: float

    def square(self, order: int, place_m: float) -> float:
        """Phi² of an order (from 1) at a place."""
        return float(np.interp(place_m, self.station_m, self.shapes[order - 1])) ** 2


def hung_shapes(construction: Construction, length_m: float, *, balance_m: float | None = None) -> HungShapes:
    """Shapes of a construction; a balance point tilts its mass, mu (1 + a (s - 1/2)), until it balances there.

    Raises:
        CalibrationError: a length or a balance point that no ski of this construction has.
    """
    _check("a length", length_m, "m", LIMITS.tables.length_m, "; is the unit right?")
    station = np.union1d(np.array(construction.station), np.linspace(0, 1, _ELEMENTS + 1))
    stiffness = np.interp(station, construction.station, construction.bending_stiffness)
    mass = np.interp(station, construction.station, construction.mass_per_length)
    centre = float(np.trapezoid(mass * station, station))
    if balance_m is not None:
        wanted = balance_m / length_m
        lever = float(np.trapezoid(mass * (station - 0.5) * (station - wanted), station))
        tilt = (wanted - centre) / lever if abs(lever) > 1e-9 else np.inf
        if not abs(tilt) < 1.6:
            raise CalibrationError(
                f"a balance point {1000 * balance_m:.0f} mm from the tail of a ski of {1000 * length_m:.0f} mm: this "
                f"construction balances at {1000 * centre * length_m:.0f} mm; measure from the tail"
            )
        mass = mass * (1 + tilt * (station - 0.5))
        mass /= np.trapezoid(mass, station)
        centre = wanted
    shear = construction.shear
    beam = Beam(
        station,
        stiffness,
        mass,
        None if shear is None else np.full_like(station, shear.rigidity_ratio),
        None if shear is None else mass * (shear.thickness_m / length_m) ** 2 / 12,
    )
    modes = bending_modes(beam, ORDERS, elements=_ELEMENTS)
    along = np.interp(modes.station_m, station, mass)
    size = np.sqrt(np.trapezoid(along * modes.shapes**2, modes.station_m, axis=1))
    return HungShapes(
        modes.station_m * length_m,
        np.asarray(modes.shapes / size[:, None]),
        np.asarray(modes.frequencies_hz / modes.frequencies_hz[0]),
        centre * length_m,
    )


def loop_biases(
    shapes: HungShapes, loops_m: tuple[float, float], first_hz: float, bounce: Bounce
) -> tuple[LoopBias, ...]:
    """Equations (1) and (2) for every order."""
    found = []
    for order, ratio in enumerate(shapes.ratios, start=1):
        square = sum(shapes.square(order, place) for place in loops_m) / 2
        r = bounce.frequency_hz / (first_hz * float(ratio))
        found.append(LoopBias(order, first_hz * float(ratio), 0.5 * r**2 * square, bounce.damping_ratio * r * square))
    return tuple(found)


def advise(
    construction: Construction,
    length_m: float,
    *,
    balance_m: float | None = None,
    first_hz: float | None = None,
    bounce: Bounce | None = None,
    loops_m: tuple[float, float] | None = None,
) -> SuspensionAdvice:
    """Where the loops belong, and what the given ones (or those at the nodes) do.

    Args:
        construction: how stiffness and mass are spread.
        length_m: of the ski.
        balance_m: its balance point from the tail; the construction's own when left out.
        first_hz: its first bending mode, 30 Hz when left out.
        bounce: of the hung ski, 2.5 Hz and 0.1 when left out.
        loops_m: where the loops are now, from the tail.

    Raises:
        CalibrationError: values that no ski has; loops off the ski, or both on one side of the balance point.
    """
    shapes = hung_shapes(construction, length_m, balance_m=balance_m)
    bounce = bounce or Bounce(_LIMITS.bounce_hz, _LIMITS.bounce_damping)
    _check("a bounce", bounce.frequency_hz, "Hz", _LIMITS.accepted_bounce_hz)
    if not (isfinite(bounce.damping_ratio) and 0 <= bounce.damping_ratio < 1):
        raise CalibrationError(
            f"a damping of the bounce of {bounce.damping_ratio:g}: a ratio from 0 to below 1 is accepted"
        )
    first = _LIMITS.first_hz if first_hz is None else first_hz
    _check("a first mode", first, "Hz", _LIMITS.accepted_first_hz)
    nodes = _nodes(shapes)
    places = nodes if loops_m is None else (min(loops_m), max(loops_m))
    if not 0 <= places[0] < shapes.balance_m < places[1] <= length_m:
        raise CalibrationError(
            f"loops at {1000 * places[0]:.0f} and {1000 * places[1]:.0f} mm from the tail cannot hold a ski of "
            f"{1000 * length_m:.0f} mm that balances at {1000 * shapes.balance_m:.0f} mm: one belongs on either side"
        )
    spread = _least_spread(shapes)
    misplaced = tuple(
        replace(loop_biases(shapes, (nodes[0] + off, nodes[1] - off), first, bounce)[0], off_m=off)
        for off in sorted((*TOLERANCES_M, *(-each for each in TOLERANCES_M)))
    )
    tail_load = (places[1] - shapes.balance_m) / (places[1] - places[0])
    notes = []
    if abs(tail_load - 0.5) > _LIMITS.uneven_load:
        heavier = "tail" if tail_load > 0.5 else "tip"
        notes.append(
            f"the {heavier} loop carries {100 * max(tail_load, 1 - tail_load):.0f} % of the weight: hang it a little higher, "
            "so that the ski hangs level"
        )
    if bounce.frequency_hz > first / _LIMITS.stiff_ratio:
        notes.append(
            f"a bounce of {bounce.frequency_hz:.1f} Hz is stiff for a first mode of {first:.0f} Hz; softer or longer loops "
            "(3 Hz and less) matter less wherever they sit"
        )
    return SuspensionAdvice(
        length_m=length_m,
        balance_m=shapes.balance_m,
        first_hz=first,
        first_assumed=first_hz is None,
        bounce=bounce,
        nodes_m=nodes,
        spread_m=spread,
        loops_m=places,
        tail_load=tail_load,
        biases=loop_biases(shapes, places, first, bounce),
        spread_biases=loop_biases(shapes, spread, first, bounce),
        misplaced=misplaced,
        notes=tuple(notes),
    )


def _check(what: str, value: float, unit: str, accepted: tuple[float, float], remedy: str = "") -> None:
    least, most = accepted
    if not least <= value <= most:
        raise CalibrationError(f"{what} of {value:g} {unit}: {least:g} to {most:g} {unit} are accepted{remedy}")


def _nodes(shapes: HungShapes) -> tuple[float, float]:
    shape, station = shapes.shapes[0], shapes.station_m
    at = np.flatnonzero(np.signbit(shape[:-1]) != np.signbit(shape[1:]))
    share = shape[at] / (shape[at] - shape[at + 1])
    found = station[at] + share * (station[at + 1] - station[at])
    return float(found[0]), float(found[-1])


def _least_spread(shapes: HungShapes) -> tuple[float, float]:
    """The pair of places, one on either side, for which the largest added damping over the orders is least."""
    length = float(shapes.station_m[-1])
    tail, tip = (length * np.linspace(a, b, 120) for a, b in ((0.02, _INSIDE), (1 - _INSIDE, 0.98)))
    tail = tail[tail < shapes.balance_m]
    tip = tip[tip > shapes.balance_m]
    worst = np.zeros((len(tail), len(tip)))
    for order, ratio in enumerate(shapes.ratios):
        ends = [np.interp(side, shapes.station_m, shapes.shapes[order]) ** 2 for side in (tail, tip)]
        added = (ends[0][:, None] + ends[1]) / 2 / ratio
        worst = np.maximum(worst, added)
    i, j = np.unravel_index(int(np.argmin(worst)), worst.shape)
    return float(tail[i]), float(tip[j])


def find_bounce(recording: Recording, channel: int, *, damping_ratio: float = _LIMITS.bounce_damping) -> Bounce | None:
    """The bounce of a hung ski as far as a recording shows it, a line between 1 and 8 Hz; None where there is none.

    Most microphones hear nothing so low: no line says nothing. Its damping is not measured but taken as given.

    Raises:
        CalibrationError: the recording is too short to tell.
    """
    rate = float(recording.sample_rate_hz)
    if recording.duration_s < _LEAST_SECONDS:
        raise CalibrationError(
            f"{recording.path}: {recording.duration_s:.1f} s are too short to see a bounce of 1 to 8 Hz; record "
            f"{_LEAST_SECONDS:g} s or more"
        )
    fold = max(int(rate // 100), 1)
    samples = np.asarray(recording.samples[:, channel], dtype=np.float64)
    slow = samples[: len(samples) // fold * fold].reshape(-1, fold).mean(axis=1)
    block = len(slow) // ((_BLOCKS + 1) // 2)
    window = np.hanning(block)
    pieces = [slow[start : start + block] for start in range(0, len(slow) - block + 1, block // 2)]
    power = np.mean([np.abs(np.fft.rfft((piece - piece.mean()) * window)) ** 2 for piece in pieces], axis=0)
    frequency: Real = np.asarray(np.fft.rfftfreq(block, fold / rate), dtype=np.float64)
    inside = np.flatnonzero((frequency >= _BOUNCE_HZ[0]) & (frequency <= _BOUNCE_HZ[1]))
    # Against what lies around: rumble falls steeply with frequency, and a line does not.
    around = np.array([_around(power, frequency, float(hz)) for hz in frequency[inside]])
    best = int(np.argmax(power[inside] / around))
    if power[inside][best] < _LIMITS.visible * around[best]:
        return None
    near = slice(max(inside[best] - 2, 0), inside[best] + 3)
    return Bounce(float(np.average(frequency[near], weights=power[near])), damping_ratio, "seen in the recording")


def bounce_of(
    recording: str | None, *, given_hz: float | None, damping_ratio: float, channel: int | None = None
) -> tuple[Bounce, tuple[str, ...]]:
    """The bounce as given, otherwise as a recording shows it, otherwise as is usual; with what is to be said about it.

    Raises:
        RecordingError: the recording cannot be read, or has no such channel.
        CalibrationError: it is too short to tell.
    """
    assumed = Bounce(LIMITS.loops.bounce_hz, damping_ratio)
    if given_hz is not None:
        return Bounce(given_hz, damping_ratio, "as given"), ()
    if recording is None:
        return assumed, ()
    heard = read_recording(recording)
    seen = find_bounce(heard, choose_channel(heard, channel), damping_ratio=damping_ratio)
    if seen is not None:
        return seen, ()
    return assumed, (f"{shown(recording, 100)}: no bounce is visible in it; count it by eye and give it as --bounce",)


def _around(power: Real, frequency: Real, hz: float) -> float:
    """Typical power half an octave to either side, the nearest tenth left out; a line of logarithms between both sides."""
    sides = []
    for low, high in ((hz / 1.7, hz / 1.25), (hz * 1.25, hz * 1.7)):
        part = power[(frequency >= low) & (frequency <= high)]
        sides.append(float(np.median(part)) if len(part) else np.inf)
    known: Sequence[float] = [side for side in sides if isfinite(side)]
    return float(np.exp(np.mean(np.log(np.array(known) + 1e-30)))) if known else np.inf
