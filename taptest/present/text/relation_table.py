"""What goes with results on snow, for a terminal: how well the runs repeat first, then what goes with what."""

from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.core.errors import shown
from taptest.present.text.tables import counted, hanging, heading, name, number, pinned, prose, ruled_table
from taptest.present.text.verdict_table import sentences
from taptest.snow.relate import Correlation, MeasureRelation, Relation, Term
from taptest.snow.reliability import Reliability

STYLES = {"found": "bold green", "nothing found": "bold", "cannot separate skis": "bold yellow"}
_WHY_NOT = (
    "Going together is no cause: what was not measured may move both, and properties of skis move together among "
    "themselves. Nothing found is not nothing there: smaller relations than those listed would mostly stay unseen."
)
_LEGEND = (
    "rank r: correlation of ranks (normal scores) among skis of one kind and generation, free of session and order, with "
    "95 % bootstrap interval; p: permutations within kinds; p Holm: corrected for all {tests} tests of this report, below "
    "0.05 counts as found; least r: the smallest that data like these would show four times in five; which is: the same "
    "as a change of the result for one usual difference (sd) of the property."
)
_NUMBERS = ("skis", "sd\n%", "rank\nr", "95 %\ninterval", "p", "p\nHolm", "least\nr")
# What more of a property and of a measure is called.
_MORE = {"mass": "heavier", "stiffness": "stiffer", "tone": "higher-sounding", "damping": "more damped"}
_RESULT = {
    "glide_m": ("longer", "shorter", "glide-outs"),
    "glide_s": ("longer", "shorter", "glide times"),
    "speed_km_per_h": ("higher", "lower", "trap speeds"),
    "lead_m": ("longer", "shorter", "leads in paired glides"),
    "feel_score": ("higher", "lower", "feel scores"),
}


def relation_view(result: Relation, width: int) -> Group:
    """Measure by measure: reliability, verdict, correlations, joint model; what the columns mean at the end."""
    parts: list[RenderableType] = []
    for relation in result.measures:
        parts += [*_measure(relation, width), Text()]
    if result.tests:
        parts += [prose(_LEGEND.format(tests=result.tests), style="dim")]
    return Group(*parts, _summary(result), prose(_WHY_NOT, style="dim"))


def _measure(relation: MeasureRelation, width: int) -> list[RenderableType]:
    measure = relation.measure
    title = heading(f"{measure.words} ({measure.name}): ")
    title.append(relation.state, STYLES[relation.state])
    lines = [("measured", "", _counts(relation)), ("repeats", "", _repeats(relation.reliability, measure.unit))]
    reliability = _reliability(relation.reliability)
    if reliability:
        lines.append(("reliability", "", reliability))
    lines += [("note", "", sentences([reason])) for reason in relation.reasons]
    lines += [("found", "bold green", _found(relation, each)) for each in relation.correlations if each.found]
    parts: list[RenderableType] = [title, hanging(lines)]
    if relation.correlations:
        parts += [Text(), _table(relation, width)]
    if relation.model:
        parts += [Text(), *_model(relation.model, measure.unit, relation.explained, width)]
    return parts


def _counts(relation: MeasureRelation) -> str:
    told = [counted(relation.runs, "run"), counted(relation.skis, "ski"), counted(relation.sessions, "session")]
    return ", ".join(told) + (f"; skis of one kind differ by {_sd(relation.spread, relation.measure.unit)} (sd)")


def _repeats(told: Reliability, unit: str) -> str:
    parts = [
        (told.run_sd, "from run to run"),
        (told.ski_by_session_sd, "more from day to day"),
        (told.session_sd, "between sessions, taken out"),
        (told.ski_sd, "between skis, beyond all that"),
    ]
    said = [f"{_sd(value, unit)} {words}" for value, words in parts if value is not None]
    return "; ".join(said) or "unknown"


def _reliability(told: Reliability) -> str:
    if told.mean is None or told.p is None or told.single is None:
        return ""
    one = "ski in one session" if told.by_session else "run"
    return (
        f"{told.mean:.2f} ({number(told.low, 2)} to {number(told.high, 2)}) for a ski's mean, {told.single:.2f} for one "
        f"{one}; that skis differ: F {told.f:.1f}, p {_p(told.p)}"
    )


def _found(relation: MeasureRelation, each: Correlation) -> str:
    longer, shorter, what = _RESULT[relation.measure.name]
    assert each.association is not None
    r = each.association.correlation
    good = (r > 0) == (relation.measure.better > 0)
    return (
        f"{_MORE[each.name]} skis of one kind had {longer if r > 0 else shorter} {what}, which is "
        f"{'better' if good else 'worse'} (r {r:+.2f}, p {_p(each.p_holm)} after Holm)."
    )


def _table(relation: MeasureRelation, width: int) -> RenderableType:
    unit = relation.measure.unit
    headings = (*_NUMBERS, f"which is\n{unit}/sd")
    table = ruled_table(width, [("", "left"), *((each, "right") for each in headings)])
    for each in relation.correlations:
        found = each.association
        if found is None:
            table.add_row(name(each.name), "0", "-", "-", "-", "-", "-", "-", "-")
            continue
        table.add_row(
            name(each.name),
            str(found.skis),
            number(None if each.spread is None else 100 * each.spread, 1),
            number(found.correlation, 2, sign=True),
            f"{number(found.low, 2, sign=True)} to {number(found.high, 2, sign=True)}",
            _p(found.p),
            Text(_p(each.p_holm), STYLES["found"] if each.found else ""),
            number(each.least, 2),
            _plain(each.least_effect),
        )
    return pinned(table, width)


def _model(terms: Sequence[Term], unit: str, explained: float | None, width: int) -> list[RenderableType]:
    table = ruled_table(width, (("together", "left"), (f"effect\n{unit}/sd", "right"), ("95 %\ninterval", "right")))
    for term in terms:
        low, high = (number(value, 2, sign=True) for value in (term.low, term.high))
        table.add_row(name(term.name), number(term.effect, 2, sign=True), f"{low} to {high}")
    share = "" if explained is None else f" All together go with {max(explained, 0) * 100:.0f} % of the variance."
    return [
        pinned(table, width),
        prose(
            f"All properties at once, each for one sd of it while the others stay; not corrected for several.{share}"
        ),
    ]


def _summary(result: Relation) -> Text:
    line = Text(f"{counted(result.skis, 'ski')}, {counted(result.runs, 'run')}: ", style="bold")
    for at, relation in enumerate(result.measures):
        line.append(f"{', ' if at else ''}{shown(relation.measure.name)} {relation.state}", STYLES[relation.state])
    unread = len(result.problems) + len(result.unread)
    if unread:
        line.append(f"; {counted(unread, 'input')} could not be read, named below", "yellow")
    return line


def _sd(value: float | None, unit: str) -> str:
    return f"{_plain(value)} {unit}"


def _plain(value: float | None) -> str:
    """Two digits or so."""
    if value is None:
        return "-"
    return number(value, 2 if abs(value) < 1 else 1 if abs(value) < 10 else 0)


def _p(value: float | None) -> str:
    if value is None:
        return "-"
    return f"{value:.2f}" if value >= 0.095 else f"{value:.3f}" if value >= 0.001 else "<0.001"
