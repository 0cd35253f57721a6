"""The documents of --json: every key of the contract, units and order as stated, null for what is not known."""

import json
import math

import pytest
from support.result_objects import all_refused, analysis, mode, not_judged, placed, result, tap, verdict, with_problems

from taptest.beam.construction import load_construction
from taptest.beam.predict import SkiMeasurements
from taptest.core.fields import schema_of
from taptest.identify.predicted import Change, LotPrediction, predict_ski
from taptest.present.json.analysis import analysis_document
from taptest.present.json.documents import check_document, prediction_document
from taptest.screen.result import GROUP_FIELDS
from taptest.ski.fields import SKI_FIELDS

# The contract: keys may be added, never taken away or renamed without a new schema number.
RECORDING = "path sample_rate_hz duration_s taps modes flags"
TAP = "onset_s accepted reasons snr_db ring_s"
MODE = (
    "frequency_hz frequency_u_hz damping_ratio damping_ratio_u half_power_bandwidth_hz quality_factor decay_time_s "
    "level_db taps note cents flags"
)
SKI = (
    "ski_id pair_id construction generation mass_g stiffness_n_per_mm span_mm predicted_hz predicted_u_hz measured_hz "
    "measured_u_hz deviation_percent deviation_u_percent "
    "shift_percent shift_u_percent shift_limit_percent damping_ratio damping_ratio_u "
    "unevenness score modes verdict "
    "reasons"
)
PLACED = "family order frequency_hz frequency_u_hz predicted_hz deviation_percent damping_ratio"
GROUP = "construction length_class binding count centre_percent spread_percent limit_percent basis"


def through_json(document):
    """As another program sees it; NaN and infinity are refused."""
    return json.loads(json.dumps(document, allow_nan=False))


def has(keys, *documents):
    assert documents
    for document in documents:
        assert set(keys.split()) <= set(document)
    return True


def test_every_key_of_an_analysis():
    document = through_json(analysis_document([analysis(), all_refused()]))
    assert document["schema"] == "taptest.analysis/1"
    assert has(RECORDING, *document["recordings"])
    for recording in document["recordings"]:
        assert has(TAP, *recording["taps"])
    assert has(MODE, *document["recordings"][0]["modes"])
    assert document["recordings"][1]["modes"] == []


def test_values_of_an_analysis():
    sound = analysis(
        taps=(tap(0), tap(1, "noisy")), modes=(mode(120.0, 0.03, 0.012, flags=("hum",)),), flags=("lossy",)
    )
    (recording,) = through_json(analysis_document([sound]))["recordings"]
    assert (recording["path"], recording["sample_rate_hz"], recording["flags"]) == ("taps/c01l.flac", 48000, ["lossy"])
    assert [each["onset_s"] for each in recording["taps"]] == [0.5, 2.0]
    assert [each["accepted"] for each in recording["taps"]] == [True, False]
    assert recording["taps"][1]["reasons"] == ["noisy"]
    (heard,) = recording["modes"]
    # Derived from the definitions: width 2 zeta f, Q = 1/(2 zeta), T60 = ln 1000/(zeta omega), cents 1200 log2(f/440).
    assert heard["half_power_bandwidth_hz"] == pytest.approx(2 * 0.012 * 120, rel=1e-6)
    assert heard["quality_factor"] == pytest.approx(1 / 0.024, rel=1e-6)
    assert heard["decay_time_s"] == pytest.approx(math.log(1000) / (0.012 * 2 * math.pi * 120), rel=1e-6)
    assert heard["note"] == "B2"
    assert heard["cents"] == pytest.approx(1200 * math.log2(120 / 440) + 2200, abs=0.06)  # to a tenth of a cent
    assert heard["flags"] == ["hum"]


def test_modes_are_sorted_by_frequency():
    shuffled = analysis(modes=(mode(900.0), mode(66.0), mode(120.0)))
    (recording,) = analysis_document([shuffled])["recordings"]
    assert [each["frequency_hz"] for each in recording["modes"]] == [66.0, 120.0, 900.0]


def test_every_key_of_a_check():
    document = through_json(check_document(with_problems()))
    assert document["schema"] == "taptest.check/1"
    assert has(SKI, *document["skis"])
    assert has(GROUP, *document["groups"])
    assert has(PLACED, *document["skis"][0]["modes"])
    assert document["problems"][0]["line"] == 7 and document["unread"] == ["c09l.flac: is cut short; copy it again"]


def test_values_of_a_check_keep_the_order_of_the_table():
    document = through_json(check_document(result()))
    assert [ski["ski_id"] for ski in document["skis"]] == ["C01L", "C02L", "C05R", "S04R"]
    assert [ski["verdict"] for ski in document["skis"]] == ["pass", "recheck", "outlier", "not judged"]
    first = document["skis"][0]
    assert [each["order"] for each in first["modes"]] == [2, 3, 1]
    assert first["modes"][1]["deviation_percent"] == pytest.approx(100 * (120.69 / 116.6 - 1), rel=1e-6)
    assert first["modes"][2]["predicted_hz"] is None and first["modes"][2]["deviation_percent"] is None
    assert document["groups"][0]["count"] == 12


def test_what_is_not_known_is_null_and_never_nan():
    silent = through_json(check_document(result(not_judged(pair_id=None, generation=None))))["skis"][0]
    for key in ("pair_id", "generation", "measured_hz", "deviation_percent", "damping_ratio", "unevenness", "score"):
        assert silent[key] is None
    wild = verdict(unevenness=math.nan, score=math.inf, modes=(placed(predicted_hz=None),))
    ski = through_json(check_document(result(wild)))["skis"][0]
    assert ski["unevenness"] is None and ski["score"] is None
    assert through_json(check_document(result()))["groups"][1]["limit_percent"] is None
    lame = analysis(modes=(mode(frequency_u_hz=math.nan),))
    assert through_json(analysis_document([lame]))["recordings"][0]["modes"][0]["frequency_u_hz"] is None
    with pytest.raises(ValueError):  # control: the plain way lets a NaN through to an invalid document
        through_json({"unevenness": wild.residual_chi_square})


def test_six_digits_at_least_survive():
    (recording,) = analysis_document([analysis(modes=(mode(1234.56789, 0.00012345678),))])["recordings"]
    heard = recording["modes"][0]
    assert heard["frequency_hz"] == pytest.approx(1234.56789, rel=1e-8)
    assert heard["frequency_u_hz"] == pytest.approx(0.00012345678, rel=1e-8)


def test_odd_text_survives():
    odd = '7\x1b[31m \u202e 滑 [red] \\ "'
    ski = through_json(check_document(result(verdict(odd, reasons=[odd]))))["skis"][0]
    assert ski["ski_id"] == odd and ski["reasons"] == [odd]


def test_every_key_of_a_prediction():
    ski = predict_ski(
        load_construction("classic_generic"), SkiMeasurements(1.9, 0.52, 3200.0, 1.4), change=Change(4.0), ski_id="01"
    )
    document = through_json(prediction_document(LotPrediction((ski,), ("lot.csv line 3: no",))))
    assert document["schema"] == "taptest.prediction/1" and document["unread"] == ["lot.csv line 3: no"]
    (first,) = document["skis"]
    assert (first["ski_id"], first["length_mm"], first["mass_g"], first["stiffness_n_per_mm"]) == ("01", 1900, 520, 3.2)
    assert has("order frequency_hz frequency_u_hz note cents", *first["bending"])
    assert has("order frequency_hz note cents", *first["torsion"])
    # f ~ sqrt(k/m), derived.
    assert first["change"]["frequency_percent"] == pytest.approx([100 * (1.04**-0.5 - 1)] * 8, rel=1e-6)
    plain = predict_ski(load_construction("uniform_bar"), SkiMeasurements(1.9, 0.52, 3200.0, 1.4))
    assert through_json(prediction_document(LotPrediction((plain,), ())))["skis"][0]["change"] is None


def test_the_documents_of_a_check_fit_the_schemas_of_their_fields(demo_checked):
    """JSON Schema (draft 2020-12), by a validator that is not ours."""
    import jsonschema

    document = through_json(check_document(demo_checked))
    for fields, key in ((SKI_FIELDS, "skis"), (GROUP_FIELDS, "groups")):
        schema = schema_of(fields)
        jsonschema.Draft202012Validator.check_schema(schema)
        validator = jsonschema.Draft202012Validator(schema)
        assert document[key] and not [error.message for each in document[key] for error in validator.iter_errors(each)]
        wrong = {**document[key][0], "construction": 3}
        assert [error.json_path for error in validator.iter_errors(wrong)] == ["$.construction"]  # control
    skis = jsonschema.Draft202012Validator(schema_of(SKI_FIELDS))
    inner = {**document["skis"][0], "modes": [{**document["skis"][0]["modes"][0], "frequency_hz": "low"}]}
    assert [error.json_path for error in skis.iter_errors(inner)] == ["$.modes[0].frequency_hz"]
