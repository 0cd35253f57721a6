"""Every sentence that a `Message` can be, by its code: severity, text and remedy, with places for values.

Values are filled in by name and format, as in ``{percent:+.1f} %``; ``{_ski}``, ``{_file}``, ``{_line}``, ``{_column}`` and
``{_value}`` are the subject's, already safe for a screen. Text from outside that is passed as a value must be made safe with
`taptest.core.errors.shown` before.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Sentence:
    """How a code is put into words, and how grave it is unless said otherwise."""

    severity: Literal["error", "warning", "note", "outlier", "recheck", "obstacle", "remark"]
    text: str
    remedy: str = ""


SENTENCES: dict[str, Sentence] = {
    # --- one ski measured -----------------------------------------------------------------------------------------
    "line-unusable": Sentence("obstacle", "{problem}"),
    "no-construction": Sentence("obstacle", "no construction given, so nothing is predicted", "name one in the table"),
    "construction-unusable": Sentence("obstacle", "{problem}"),
    "prediction-lacks": Sentence("obstacle", "no {missing} given, so nothing is predicted", "fill it in"),
    "unusual-value": Sentence("remark", "{problem}"),
    "no-recording": Sentence("obstacle", "recording missing", "tap the ski and name the file in the table"),
    "recording-unusable": Sentence("obstacle", "recording cannot be read", "copy it again or record anew"),
    "recording-unread": Sentence("error", "ski {_ski} (line {line}): {problem}"),
    "calibration-warning": Sentence("warning", "{problem}"),
    "calibration-unread": Sentence("error", "{problem}"),
    "construction-unread": Sentence("error", "{_file} line {line}{more}, column construction: {problem}"),
    "no-tap": Sentence("obstacle", "no tap found in the recording{lost}", "tap it again, closer to the microphone"),
    "no-good-tap": Sentence("obstacle", "no good tap: {taps} refused: {why}{lost}", "tap it again"),
    "ambiguous-few-modes": Sentence("obstacle", "mode numbers ambiguous: too few bending modes heard"),
    "ambiguous": Sentence("obstacle", "mode numbers ambiguous: only {odds:.2g} to 1 against {runner_up}"),
    "too-few-modes": Sentence(
        "recheck",
        "of its {tones} tones only bending mode{plural} {listed} could be placed, which other things may have by chance: "
        "look whether it is the right recording, and tap it again",
    ),
    # --- verdicts -------------------------------------------------------------------------------------------------
    "nothing-in-common": Sentence(
        "obstacle", "its modes are not those in which its group is heard: nothing to compare"
    ),
    "first-mode-hidden": Sentence(
        "remark", "its first mode was not heard, and from uneven ones it cannot be worked out"
    ),
    "tone-low": Sentence(
        "outlier",
        "all modes {percent:.1f} % low, evenly, against {against} (limit {limit_percent:.1f} %): heavier or softer than its "
        "label says",
        "weigh and bend it again, the mass or the stiffness in the table may be wrong{label}",
    ),
    "tone-high": Sentence(
        "outlier",
        "all modes {percent:.1f} % high, evenly, against {against} (limit {limit_percent:.1f} %): lighter or stiffer than "
        "its label says",
        "weigh and bend it again, the mass or the stiffness in the table may be wrong{label}",
    ),
    "tone-low-unevenly": Sentence(
        "outlier",
        "modes {percent:.1f} % low on average, unevenly, against {against} (limit {limit_percent:.1f} %){label}",
    ),
    "tone-high-unevenly": Sentence(
        "outlier",
        "modes {percent:.1f} % high on average, unevenly, against {against} (limit {limit_percent:.1f} %): it rings stiffer "
        "than the rig says",
        "look for a soft spot near the middle, or bend it again{label}",
    ),
    "uneven": Sentence("outlier", "uneven{where}{fits}{normal}: look for a soft spot or a separation"),
    "damping-high": Sentence(
        "outlier", "damping {percent:.0f} % above its group: look for a separation, water or loose parts"
    ),
    "damping-low": Sentence(
        "outlier", "damping {percent:.0f} % below its group: check that it hangs and is equipped like the others"
    ),
    "mass-apart": Sentence("recheck", "mass {off} its group{rings}", "weigh it again"),
    "stiffness-apart": Sentence("recheck", "stiffness {off} its group{rings}", "bend it again"),
    "damping-uneven": Sentence(
        "recheck",
        "damping uneven: mode {order} {side} ({percent:+.0f} % against the others): retap from another place, then look for "
        "a separation",
    ),
    "tone-apart": Sentence("recheck", "tone {side} of its group and far from the rest: hang it again and retap"),
    "damping-apart": Sentence("recheck", "damping {side} of its group and far from the rest: hang it again and retap"),
    "together-apart": Sentence(
        "recheck", "nothing alone is beyond its limit, but several things are rather far out: retap it"
    ),
    "taps-disagree": Sentence(
        "recheck",
        "its modes are uncertain by {percent:.1f} %: the taps disagree or the room is too live",
        "hang it still and retap",
    ),
    "too-few-taps": Sentence("recheck", "only {taps}: too few to call it an outlier", "tap it again"),
    "too-close": Sentence("recheck", "too close to its limit to tell", "hang it again and retap"),
    "rehang": Sentence("outlier", "take it out of the loops, hang it again and retap before setting it aside"),
    # --- groups ---------------------------------------------------------------------------------------------------
    "two-builds": Sentence(
        "warning",
        "{group}: looks like two builds under one label: its {quantity} form two clusters {apart_percent:.1f} % apart, "
        "{larger} skis and {smaller} {side} ones ({listed})",
        "name the builds in the column generation or construction, since limits that hold two builds find little",
    ),
    "group-off-prediction": Sentence(
        "warning",
        "{group}: the whole group lies {percent:+.1f} % from its prediction, more than {allowed_percent:.1f} %",
        "check the span, the scale and the construction file",
    ),
    "temperatures-apart": Sentence(
        "warning",
        "{group}: measured between {low_c:.0f} and {high_c:.0f} °C",
        "frequencies move about 0.1 % a kelvin, so compare skis of one temperature",
    ),
    "temperatures-corrected": Sentence(
        "note",
        "{group}: measured between {low_c:.0f} and {high_c:.0f} °C",
        "frequencies are corrected for it, damping is not",
    ),
    # --- pairs: the other ski of the two is the subject -------------------------------------------------------------
    "pair-binding": Sentence("obstacle", "{bound} carries a binding and the other does not: nothing can be compared"),
    "pair-construction": Sentence("outlier", "of different construction: {first} and {second}"),
    "pair-length": Sentence("outlier", "{apart_mm:.0f} mm apart in length (limit {limit_mm:g} mm)"),
    "pair-side": Sentence("outlier", "both are marked {side}"),
    "pair-mass": Sentence("remark", "{_ski} is {apart_g:.0f} g {way} ({step} up to {limit_g:g} g)"),
    "pair-stiffness": Sentence(
        "remark", "{_ski} is {way} by {apart_percent:.1f} % of their mean ({step} up to {limit_percent:g} %)"
    ),
    "pair-frequency": Sentence(
        "remark",
        "{_ski} is {way} in tone by {apart_percent:.1f} % of their mean, {apart_cents:.0f} cents, ({step} up to "
        "{limit_percent:g} %)",
    ),
    "pair-damping": Sentence(
        "remark", "{_ski} is {way} damped by {apart_percent:.1f} % of their mean ({step} up to {limit_percent:g} %)"
    ),
    "pair-balance": Sentence("remark", "{_ski} balances {apart_mm:.0f} mm {way} ({step} up to {limit_mm:g} mm)"),
    "pair-off-prediction": Sentence(
        "recheck",
        "by mass and stiffness {_ski} should ring {should_percent:.1f} % {should}, but it rings {does_percent:.1f} % "
        "{does}: weigh and bend both again; if the numbers hold, the two are not built alike",
    ),
    "pair-uneven": Sentence(
        "recheck",
        "their modes lie unevenly apart, by {spread_percent:.1f} % between modes: one may have a soft spot; check the lot",
    ),
    "pair-nothing-known": Sentence("obstacle", "no {absent} to compare{why}"),
    "pair-partly-known": Sentence("remark", "on {known} alone, {absent} not known{why}"),
    "pair-generations": Sentence("remark", "of different generations: {first} and {second}"),
    "pair-temperatures": Sentence(
        "remark", "measured {apart_k:.0f} K apart, which moves the tone by about {percent:.1f} %"
    ),
    "left-no-pair-id": Sentence("note", "has no pair_id"),
    "left-alone": Sentence("note", "the only usable ski of pair {pair}"),
    "left-several": Sentence("note", "one of {skis} skis of pair {pair}: which two belong together is not clear"),
    "left-nothing-like-it": Sentence(
        "note",
        "no other ski of its construction, binding state and length, and of the other side, to compare it with",
    ),
    "left-better-pairs": Sentence("note", "would go with {nearest}, which makes a better pair or is needed elsewhere"),
    "left-too-far": Sentence("note", "nearest is {nearest}, but {difference}"),
    "pairing-approximate": Sentence(
        "note",
        "of each ski only the {partners} nearest partners were weighed, as more than {most} pairs are allowed: the "
        "pairing may not be the very best; narrower limits make it so",
    ),
    # --- groups compared --------------------------------------------------------------------------------------------
    "groups-of-other-temperature": Sentence(
        "note",
        "{warmest} was measured {apart_k:.0f} K warmer than {coldest} on average: about {percent:.1f} % of any difference "
        "in frequency may be that",
    ),
    "skis-of-no-group": Sentence("note", "{who} no group and are compared as one"),
    # --- results on snow --------------------------------------------------------------------------------------------
    "runs-single": Sentence(
        "obstacle", "every ski ran once, so nobody knows how well a run repeats: let each run at least twice"
    ),
    "runs-without-comparison": Sentence("obstacle", "no two skis of one kind can be compared"),
    "runs-too-few": Sentence("obstacle", "too few repeated runs to know how well one repeats: let every ski run again"),
    "skis-not-separated": Sentence(
        "obstacle",
        "the runs do not tell the skis apart (F {f:.2f} with {dof} and {dof_error} degrees of freedom, p {p:.2f}): what "
        "differs between skis is no more than what differs between runs of one; {more} would be needed",
    ),
    "reliability-weak": Sentence(
        "warning",
        "weak: a ski's mean repeats with a reliability of {reliability:.2f} only, so that every relation looks weaker than "
        "it is",
    ),
    "days-not-separated": Sentence(
        "warning",
        "the error is that between runs, not between days: what is the ski's and what the day's (wax, hand, place) cannot "
        "be told apart",
    ),
    "too-little-to-relate": Sentence("note", "nothing is known of enough skis of one kind to relate it to"),
    "stiffness-of-other-span": Sentence(
        "note", "bent over another span than the rest of their kind, so without stiffness here: {listed}"
    ),
    # Numbers and units, in a cell or typed: they go on from "found 'VALUE', ".
    "number-ambiguous": Sentence("error", "which may mean {decimal} or {whole}", "write {whole} or {decimal}"),
    "not-a-number": Sentence("error", "which is not a number", "write a number such as 520 or 3.25"),
    "number-too-large": Sentence("error", "which is too large for a number", "write the value without an exponent"),
    "number-not-finite": Sentence("error", "which is not a finite number", "write a number, or leave the cell empty"),
    "unit-unknown": Sentence(
        "error", "in which '{written}' is not a unit", "write the number alone, the column is in {symbol}"
    ),
    "unit-not-of-column": Sentence("error", "which is in {written} although the column is in {symbol}", "{instead}"),
    "unit-not-accepted": Sentence("error", "in which '{written}' is no unit for it", "write one of {accepted}"),
    "unit-not-wanted": Sentence("error", "in which '{written}' does not belong", "write the number alone"),
    "unit-mistaken": Sentence(
        "error", "which looks like {meant}; accepted are {accepted}", "rename the column to {column} or write {instead}"
    ),
    "out-of-range": Sentence("error", "which is out of range; accepted are {accepted}", "measure or type it again"),
    "flattening-stiffness": Sentence(
        "error",
        "which looks like flattening stiffness (load against camber closing on a flat plate): it is stiffened by "
        "contact and cannot predict a frequency",
        "give two-support bending stiffness (below {most}) with its span",
    ),
    # Cells and lines of any table: they go on from "FILE line N, column C: found 'VALUE', ".
    "cell-empty": Sentence("error", "but every {row} needs it", "fill it in"),
    "cell-too-long": Sentence(
        "error",
        "which has {characters} characters",
        "at most {most} are accepted: shorten it, and look for a missing quotation mark",
    ),
    "cell-control-characters": Sentence("error", "which has control characters", "type the cell again"),
    "cell-formula-not-stored": Sentence(
        "error",
        "a formula whose result is not stored in the file",
        "open the table in a spreadsheet program and save it, or write the value",
    ),
    "cell-spreadsheet-error": Sentence("error", "an error of the spreadsheet", "repair the formula or write the value"),
    "cell-date": Sentence(
        "error",
        "a date, into which spreadsheets turn ids such as 1-2",
        "format the column as text and type the cell again",
    ),
    "quotation-marks": Sentence(
        "error",
        "in which the quotation marks do not match",
        "close the quotation mark or delete it; a mark inside a cell is written twice",
    ),
    "line-too-long": Sentence(
        "error",
        "beyond the last column: {cells} cells, the heading has {width}; the line is left out",
        "put quotation marks around a cell that holds the separator, such as a decimal comma",
    ),
    "line-too-short": Sentence(
        "error",
        "as the last of {cells} cells, the heading has {width}; the line is left out",
        "write every separator, also before an empty cell",
    ),
    "column-twice": Sentence("error", "which gives {name} {again}; the first is used", "delete one"),
    "column-missing": Sentence("error", "the column is missing, without it nothing is predicted", "{remedy}"),
    # Cells of a lot.
    "id-twice": Sentence(
        "error",
        "which is the id of line {first} already; this line is left out",
        "give every ski its own id, or delete one of the two lines",
    ),
    "choice-unknown": Sentence("error", "which is no {what}", "write {accepted}"),
    "binding-heavier": Sentence(
        "error", "but the ski has only {mass_g:.6g} g as hung, its binding included", "weigh both again"
    ),
    "place-beyond-ski": Sentence("error", "but the ski is only {length_mm:.6g} mm long", "measure it again, {how}"),
    "supports-off-ski": Sentence(
        "error",
        "but the supports stand on the ski from {lowest_mm:.6g} to {highest_mm:.6g} mm",
        "measure it again, from the tail",
    ),
    "fact-missing": Sentence("error", "and the ski has no recording either", "fill it in, or name a recording"),
    "facts-missing": Sentence("error", "so nothing is known of the ski", "name a recording"),
    "recordings-too-many": Sentence("error", "which names {count} files, at most {most}", "name fewer of them"),
    "recording-twice": Sentence("error", "which is named twice", "name every recording once"),
    "recording-absolute": Sentence(
        "error", "which is an absolute path", "write it relative to the folder of the table"
    ),
    "recording-outside": Sentence(
        "error",
        "which leaves the folder of the table",
        "put the recordings into the table's folder or below it",
    ),
    "recording-folder": Sentence("error", "which is a folder", "name the sound files in it, with ; between them"),
    "recording-unreadable": Sentence("error", "which cannot be looked up ({why})", "check the name"),
    "recording-missing": Sentence("error", "but there is no such file in {folder}", "{remedy}"),
    # Cells of results on snow and of studies.
    "run-without-session": Sentence("error", "but runs are only compared within a session", "name its day and place"),
    "run-against-itself": Sentence("error", "which is the ski itself", "name the other ski of the paired glide"),
    "run-without-opponent": Sentence(
        "error", "so nobody knows whom the lead was over", "name the other ski in against"
    ),
    "run-without-value": Sentence("error", "so the run says nothing", "write what was measured, or delete the line"),
    "run-of-unknown-ski": Sentence("error", "which is no ski of the lot; the run is left out", "{remedy}"),
    "run-twice": Sentence(
        "error",
        "which is the same run of this ski in this session as line {first}; this line is left out",
        "give every run of a ski in a session its own number",
    ),
    "measurement-twice": Sentence("error", "the same as line {first}", "number trials anew"),
    # What became of changes to a lot.
    "lot-merged": Sentence("note", "{_file}: another program changed it meanwhile; both changes are in it now"),
    "lot-left-alone": Sentence(
        "error",
        "{_file}: {why}, so it is left alone; the table with the new recordings is {beside}",
        "put the two together by hand",
    ),
    "lot-copied": Sentence("note", "{_file}: stays as it is; recordings are entered in {beside} beside it"),
    "lot-continued": Sentence(
        "note",
        "{_file}: stays as it is; recordings are entered in {beside} beside it, which was there already and is continued",
    ),
    # What was assumed or passed over when a table was read.
    "encoding-assumed": Sentence(
        "note", "{_file}: not UTF-8 (byte {byte} in line {at}), read as Windows cp1252; check accents"
    ),
    "sheets-passed-over": Sentence("note", "{_file}: read from the sheet '{sheet}' only ({count} more)"),
    "columns-not-used": Sentence("note", "{_file}: columns not used: {columns}"),
    "session-not-given": Sentence("note", "{_file}: has no column session; all runs are taken as one session"),
    "recording-shared": Sentence("note", "{recording} is the recording of several skis: {skis}"),
    # A session of recording: taps that do not count, and what became of skis.
    "tap-without-ski": Sentence("note", "a tap was heard but not counted: no ski is up", "scan or type its id"),
    "tap-during-question": Sentence("note", "a tap was heard but not counted: answer the question first"),
    "tap-not-stored": Sentence("error", "a tap was heard but not counted: {problem}"),
    "tap-dropped": Sentence("note", "the last tap was moved to 'dropped'"),
    "taps-without-ski": Sentence("note", "{taps} taps are kept of ski {_ski}, which is not in the table"),
    "taps-of-another-ski": Sentence("note", "ski {_ski}: {what} like another ski and went to 'dropped'"),
    "taps-agree": Sentence("note", "no taps of this ski differ, so all of them count already"),
    "all-taps-count": Sentence("note", "all taps of ski {_ski} count, though they sound like two skis"),
    "ski-complete-before": Sentence("note", "ski {_ski} was complete before: it is entered now"),
    "ski-again": Sentence("note", "ski {_ski} from the start"),
    "ski-again-dropped": Sentence("note", "ski {_ski} from the start; {taps} taps were moved to 'dropped'"),
    "ski-skipped": Sentence("note", "ski {_ski} skipped"),
    "ski-skipped-taps-kept": Sentence("note", "ski {_ski} skipped; its {taps} taps stay for another time"),
    "ski-noted": Sentence("note", "noted for ski {_ski}"),
    "ski-recorded-already": Sentence(
        "note",
        "ski {_ski} has a recording already ({recording}): the new one takes its place in the table, the old file stays",
    ),
    "nothing-to-repeat": Sentence("note", "no ski is up that could be repeated"),
    "nothing-to-drop": Sentence(
        "note", "no tap of this ski is kept that could be dropped", "'r' starts the ski before it anew"
    ),
    "nothing-to-skip": Sentence("note", "no ski is up that could be skipped"),
    "nothing-to-note": Sentence("note", "no ski is up that a note could be written for"),
    "scan-next": Sentence("note", "scan or type the id of the next ski", "q ends the session"),
    "scan-next-or-take": Sentence("note", "scan or type the id of the next ski", "an empty line takes {waiting}"),
    "all-recorded": Sentence("note", "every ski of the table has a recording"),
    "all-recorded-scan": Sentence("note", "every ski of the table has a recording", "scan or type an id, or q to end"),
    "table-gone-through": Sentence("note", "the table has been gone through; without one still: {skis}"),
    "table-unreadable": Sentence("error", "{problem}", "an empty line tries again"),
    "session-remark": Sentence("note", "{text}"),
    "session-trouble": Sentence("error", "{problem}"),
}
