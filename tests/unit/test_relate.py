"""Results on snow against the skis: how often something is found where nothing is, and where something was planted."""

import json
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from support.simulated_snow import Season, season

from taptest.snow.relate import PROPERTIES, TERMS, relate_properties


@pytest.fixture
def quick(monkeypatch):
    """Fewer permutations, and hardly a resample: what is counted below does not need them."""
    monkeypatch.setattr("taptest.stats.association.PERMUTATIONS", 999)
    monkeypatch.setattr("taptest.stats.association.RESAMPLES", 9)


def seasons(plan, count, seed, planted="stiffness"):
    """States of many seasons, and how often the planted property was found."""
    rng = np.random.default_rng(seed)
    states, found = Counter(), 0
    for number in range(count):
        properties, kind, results = season(rng, plan, planted)
        (relation,), _ = relate_properties(properties, kind, results, seed=number)
        states[relation.state] += 1
        found += any(each.found and each.name == planted for each in relation.correlations)
    return states, found / count


# --- how often it is right -----------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("kinds", [1, 2])
def test_where_nothing_is_planted_something_is_found_in_one_report_of_twenty_at_most(quick, kinds):
    states, _ = seasons(Season(kinds=kinds), 500, seed=kinds)
    assert states["cannot separate skis"] == 0  # the skis do differ, and by much more than the runs
    assert states["found"] <= 25  # 5 % of 500
    assert states["found"] >= 5  # control: a test that never finds anything would keep any rate


@pytest.mark.slow
def test_a_correlation_of_six_tenths_within_the_construction_is_found(quick):
    # derived: Fisher's z of 0.59 (0.6 as seen through a reliability of 0.98) over 1/sqrt(27) is 3.5, against a first level
    # of 5 %/4, two-sided, of 2.5: found in 84 % if the scores lost nothing; two binomial deviations of 500 are 3 %.
    found = [seasons(Season(correlation=0.6, own=0.03), 250, 11, planted)[1] for planted in ("stiffness", "damping")]
    assert sum(found) / 2 >= 0.8


@pytest.mark.slow
def test_runs_that_do_not_tell_skis_apart_stop_the_report(quick):
    states, _ = seasons(Season(own=0.0), 300, seed=4)
    # derived: an F test at 5 % lets 5 % through; three binomial standard deviations are 3.8 %
    assert states["cannot separate skis"] / 300 >= 0.91
    # The wax of the day is the ski's for that day only, however often it runs.
    states, _ = seasons(Season(own=0.0, wax=0.02, runs=4), 100, seed=5)
    assert states["cannot separate skis"] / 100 >= 0.87


def test_gusts_do_not_make_a_finding(quick):
    states, _ = seasons(Season(gusts=0.05, kinds=2), 40, seed=6)
    assert states["found"] <= 6  # derived: 95 % of binomial(40, 0.05) are at most 4


# --- what is said --------------------------------------------------------------------------------------------------


def one(plan, seed=1, planted="stiffness"):
    properties, kind, results = season(np.random.default_rng(seed), plan, planted)
    (relation,), tests = relate_properties(properties, kind, results)
    return relation, tests


def test_a_strong_relation_and_its_model():
    relation, tests = one(Season(correlation=0.95, own=0.02, skis=40))
    assert relation.state == "found" and tests == len(PROPERTIES)
    by_name = {each.name: each for each in relation.correlations}
    assert by_name["stiffness"].found and by_name["stiffness"].association.low > 0.6
    assert not by_name["damping"].found
    assert by_name["stiffness"].spread == pytest.approx(0.05, rel=0.35)  # the simulation's own
    assert [term.name for term in relation.model] == list(TERMS)
    effect = next(term for term in relation.model if term.name == "stiffness")
    # derived: 2 % of glide a standard deviation, 95 % of it with stiffness, whose planted standard deviation is 5 %
    planted = 1.9 * by_name["stiffness"].spread / 0.05
    assert effect.low < planted < effect.high and effect.high - effect.low < 1.0
    others = [term for term in relation.model if term.name in ("damping", "tone beyond both")]
    assert all(term.low < 0 < term.high for term in others)
    assert relation.explained > 0.7
    assert relation.reliability.ski_sd == pytest.approx(2.0, rel=0.3)
    assert relation.reliability.run_sd == pytest.approx(0.8, rel=0.2)
    # control: the same results given to other skis
    properties, kind, results = season(np.random.default_rng(1), Season(correlation=0.95, own=0.02, skis=40))
    ids = [ski.ski_id for ski in properties]
    names = dict(zip(ids, [*ids[17:], *ids[:17]], strict=True))
    moved = replace(results, runs=tuple(replace(run, ski_id=names[run.ski_id]) for run in results.runs))
    (mixed_up,), _ = relate_properties(properties, kind, moved)
    assert mixed_up.state == "nothing found"


def test_the_model_agrees_with_a_mixed_model():
    """Runs of a balanced season: restricted maximum likelihood by statsmodels, all effects at once."""
    pandas = pytest.importorskip("pandas")
    formulas = pytest.importorskip("statsmodels.formula.api")
    properties, kind, results = season(np.random.default_rng(3), Season(correlation=0.7, wax=0.0, skis=24))
    results = replace(results, runs=tuple(replace(run, order=None) for run in results.runs))
    (relation,), _ = relate_properties(properties, kind, results)
    known = {ski.ski_id: ski for ski in properties}
    data = pandas.DataFrame(
        {
            "y": [100 * np.log(run.values["glide_m"]) for run in results.runs],
            "ski": [run.ski_id for run in results.runs],
            "day": [run.session for run in results.runs],
            **{
                name: [getattr(known[run.ski_id], name) for run in results.runs]
                for name in ("mass", "stiffness", "tone_beyond", "damping")
            },
        }
    )
    fitted = formulas.mixedlm("y ~ C(day) + mass + stiffness + tone_beyond + damping", data, groups="ski").fit(
        reml=True
    )
    names = ("mass", "stiffness", "tone_beyond", "damping")
    for name, term in zip(names, relation.model, strict=True):
        spread = np.std([getattr(ski, name) for ski in properties], ddof=1)
        # Balanced: the fixed effects are those of the skis' means. Student's quantile for 24 - 1 - 4 degrees of freedom
        # is 2.093 (any table), so that half the interval over it is the standard error.
        assert term.effect == pytest.approx(fitted.params[name] * spread, rel=1e-3, abs=1e-4)
        assert (term.high - term.low) / 2 / 2.093 == pytest.approx(fitted.bse[name] * spread, rel=0.01)


def test_what_kinds_differ_in_is_no_part_of_the_model():
    """Four kinds, far apart in everything: about their own means the effect is what was planted."""
    relation, _ = one(Season(correlation=0.9, own=0.02, skis=40, kinds=4), seed=7)
    effect = next(term for term in relation.model if term.name == "stiffness")
    spread = next(each.spread for each in relation.correlations if each.name == "stiffness")
    assert spread < 0.08  # derived: 5 % within kinds; between them it was drawn with 20 %
    assert effect.low < 1.8 * spread / 0.05 < effect.high
    assert (
        effect.high - effect.low < 1.2
    )  # derived: 2 t(0.975, 32) times the 0.9 % left over, over sqrt(39): 0.6, doubled
    assert relation.spread == pytest.approx(2.0, rel=0.3)


def test_one_run_each_says_nothing():
    relation, tests = one(Season(days=1, runs=1))
    assert (relation.state, tests) == ("cannot separate skis", 0)
    assert "let each run at least twice" in str(relation.reasons[0]) and not relation.correlations


def test_one_day_is_said_to_be_one_day():
    relation, _ = one(Season(days=1, runs=4, own=0.03))
    assert relation.state != "cannot separate skis"
    assert any("between runs, not between days" in str(reason) for reason in relation.reasons)


def test_noise_stops_with_the_reason():
    relation, tests = one(Season(own=0.0), seed=2)
    assert relation.state == "cannot separate skis" and tests == 0
    assert "do not tell the skis apart" in str(relation.reasons[0]) and "more runs" in str(relation.reasons[0])


def test_missing_tones_cost_only_themselves():
    properties, kind, results = season(np.random.default_rng(4), Season(own=0.03))
    silent = [replace(ski, tone=np.nan, damping=np.nan, tone_beyond=np.nan) for ski in properties]
    (relation,), tests = relate_properties(silent, kind, results)
    counts = {each.name: each.association and each.association.skis for each in relation.correlations}
    assert counts == {"mass": 30, "stiffness": 30, "tone": None, "damping": None}
    assert tests == 2 and not relation.model


def test_no_causal_word_is_said():
    from taptest.present.text import relation_table

    words = json.dumps([relation_table._LEGEND, relation_table._MORE, relation_table._RESULT]) + "".join(
        str(reason) for seed in range(3) for reason in one(Season(correlation=0.9), seed=seed)[0].reasons
    )
    assert not any(word in words.lower() for word in ("because", "due to", "leads to", "improves", "makes "))
