"""Variance components of runs on snow: against published tables, and against a general mixed-model program."""

from math import sqrt

import numpy as np
import pytest

from taptest.snow.reliability import Runs, snow_values

NAN = float("nan")


def runs_of(value, ski, session, **changes):
    value = np.asarray(value, float)
    given = {
        "value": value,
        "ski": np.asarray(ski),
        "against": np.full(len(value), -1),
        "session": np.asarray(session),
        "order": np.full(len(value), NAN),
        "temperature_c": np.full(len(value), NAN),
        "kind": np.zeros(int(np.max(ski)) + 1, dtype=int),
        **changes,
    }
    return Runs(**given)


def of_table(table, *, sessions=True):
    """Rows are skis, columns sessions with one run each (or all of one session)."""
    table = np.asarray(table, float)
    ski, session = np.indices(table.shape)
    return runs_of(table.ravel(), ski.ravel(), (session if sessions else 0 * session).ravel())


# Shrout and Fleiss, Psychological Bulletin 86 (1979) 420, table 2: six targets, four judges; ICC(1,1) .17, ICC(2,1) .29,
# ICC(3,1) .71, ICC(1,4) .44, ICC(3,4) .91 (all from memory; recomputed below by sums of squares).
SHROUT_FLEISS = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]


def test_intraclass_correlations_of_shrout_and_fleiss():
    x = np.array(SHROUT_FLEISS, float)
    n, k = x.shape
    rows, columns = x.mean(axis=1), x.mean(axis=0)
    between = k * ((rows - x.mean()) ** 2).sum() / (n - 1)
    judges = n * ((columns - x.mean()) ** 2).sum() / (k - 1)
    error = ((x - rows[:, None] - columns + x.mean()) ** 2).sum() / ((n - 1) * (k - 1))
    within = ((x - rows[:, None]) ** 2).sum() / (n * (k - 1))
    # derived by the sums above; to two digits the published ones
    consistency, one_way = (
        (between - error) / (between + (k - 1) * error),
        (between - within) / (between + (k - 1) * within),
    )
    agreement = (between - error) / (between + (k - 1) * error + k * (judges - error) / n)
    assert [round(each, 2) for each in (one_way, agreement, consistency)] == [0.17, 0.29, 0.71]

    crossed = snow_values(of_table(x)).reliability
    assert crossed.by_session
    assert crossed.single == pytest.approx(consistency, rel=1e-9)
    assert crossed.mean == pytest.approx(1 - error / between, rel=1e-9)  # ICC(3,4)
    assert round(crossed.mean, 2) == 0.91
    assert crossed.dof == (5, 15)
    total = crossed.ski_sd**2 + crossed.session_sd**2 + error
    assert crossed.ski_sd**2 / total == pytest.approx(agreement, rel=1e-9)
    one = snow_values(of_table(x, sessions=False)).reliability
    assert not one.by_session
    assert one.single == pytest.approx(one_way, rel=1e-9)
    assert round(one.mean, 2) == 0.44
    # control: one judge's column the other way round is no longer the same table
    turned = np.column_stack([x[:, 0][::-1], x[:, 1:]])
    assert abs(snow_values(of_table(turned)).reliability.single - consistency) > 0.1


def test_the_interval_of_a_reliability_is_the_f_distributions():
    # Shrout and Fleiss (1979), ICC(3,1): F = 11.03 with 5 and 15 degrees of freedom; limits from F tables (derived here
    # with scipy's own quantiles): F/F_0.975(5,15) and F F_0.975(15,5).
    from scipy.stats import f

    told = snow_values(of_table(SHROUT_FLEISS)).reliability
    assert told.f == pytest.approx(11.03, abs=0.005)
    assert told.p == pytest.approx(f.sf(told.f, 5, 15), rel=1e-9)
    assert told.low == pytest.approx(1 - f.ppf(0.975, 5, 15) / told.f, rel=1e-9)
    assert told.high == pytest.approx(1 - 1 / (told.f * f.ppf(0.975, 15, 5)), rel=1e-9)


# AIAG, Measurement Systems Analysis, 4th edition, example data: 10 parts, 3 appraisers, 3 trials each (page).
PARTS = """
  .29  .41  .64   .08  .25  .07   .04 -.11 -.15
 -.56 -.68 -.58  -.47 -1.22 -.68  -1.38 -1.13 -.96
 1.34 1.17 1.27  1.19  .94 1.34   .88 1.09  .67
  .47  .50  .64   .01 1.03  .20   .14  .20  .11
 -.80 -.92 -.84  -.56 -1.20 -1.28  -1.46 -1.07 -1.45
  .02 -.11 -.21  -.20  .22  .06  -.29 -.67 -.49
  .59  .75  .66   .47  .55  .83   .02  .01  .21
 -.31 -.20 -.17  -.63  .08 -.34  -.46 -.56 -.49
 2.26 1.99 2.01  1.80 2.12 2.19  1.77 1.45 1.87
-1.36 -1.25 -1.31  -1.68 -1.62 -1.50  -1.49 -1.77 -2.16
"""


def test_components_of_a_published_repeatability_study():
    table = np.array([line.split() for line in PARTS.strip().splitlines()], float).reshape(10, 3, 3)
    part, appraiser, _ = np.indices(table.shape)
    told = snow_values(runs_of(table.ravel(), part.ravel(), appraiser.ravel())).reliability
    # page (ANOVA with the interaction pooled into the error): part variation 1.042327, appraisers 0.226838, equipment
    # 0.199933. Here the interaction is the error of the parts; it is smaller than the trials, so they differ by little.
    assert told.ski_sd == pytest.approx(1.042327, rel=2e-3)
    assert told.session_sd == pytest.approx(0.226838, rel=0.02)
    within = ((table - table.mean(axis=2, keepdims=True)) ** 2).sum() / (10 * 3 * 2)  # derived
    assert told.run_sd == pytest.approx(sqrt(within), rel=1e-9)
    assert told.ski_by_session_sd == 0.0


def test_components_agree_with_a_mixed_model_on_open_data():
    """Balanced data with positive estimates: restricted maximum likelihood and analysis of variance are the same."""
    sm = pytest.importorskip("statsmodels.api")
    import statsmodels.formula.api as formulas

    # statsmodels' bundled Grunfeld data: investment of 11 firms over 20 years; firms stand for skis, years for sessions.
    data = sm.datasets.grunfeld.load_pandas().data
    fitted = formulas.mixedlm("invest ~ C(year)", data, groups="firm").fit(reml=True)
    firm, year = (np.unique(data[name], return_inverse=True)[1] for name in ("firm", "year"))
    told = snow_values(runs_of(data["invest"], firm, year)).reliability
    assert told.ski_sd == pytest.approx(sqrt(fitted.cov_re.iloc[0, 0]), rel=1e-3)  # the optimiser stops there
    assert told.single == pytest.approx(fitted.cov_re.iloc[0, 0] / (fitted.cov_re.iloc[0, 0] + fitted.scale), rel=1e-3)


def test_drift_over_a_session_is_taken_out():
    rng = np.random.default_rng(2)
    own = rng.normal(size=12)
    ski = np.concatenate([rng.permutation(12) for _ in range(6)])
    session = np.repeat([0, 1, 2], 24)
    order = np.tile(np.arange(24), 3)
    drift = np.array([4.0, -8.0, 2.0])[session] * order / 23
    value = own[ski] + 10 * session + drift + 1e-6 * rng.normal(size=72)
    found = snow_values(runs_of(value, ski, session, order=order.astype(float)))
    assert found.value == pytest.approx(own - own.mean(), abs=1e-5)
    plain = snow_values(runs_of(value, ski, session))
    assert np.abs(plain.value - (own - own.mean())).max() > 0.3  # control
    assert found.reliability.mean > 0.999999 > plain.reliability.mean


def test_days_that_belong_to_a_ski_are_error():
    """A ski that is better for a whole day (its wax) must not count as a better ski however often it ran that day."""
    rng = np.random.default_rng(3)
    refused = 0
    for _ in range(200):
        ski, session, _ = (each.ravel() for each in np.indices((10, 3, 8)))
        day = rng.normal(size=(10, 3))
        value = day[ski, session] + 0.1 * rng.normal(size=len(ski))
        told = snow_values(runs_of(value, ski, session)).reliability
        refused += not told.separates
        assert told.ski_by_session_sd > 0.4
    # derived: 95 % of F tests at 5 %, and three binomial standard deviations of 1.5 %
    assert refused / 200 > 0.90


def test_paired_glides_are_differences():
    rng = np.random.default_rng(4)
    own = rng.normal(size=8)
    first, second = (
        np.array(each) for each in zip(*[(i, j) for i in range(8) for j in range(8) if i != j], strict=True)
    )
    lead = own[first] - own[second] + 1e-6 * rng.normal(size=len(first))
    found = snow_values(runs_of(lead, first, 0 * first, against=second))
    assert found.value == pytest.approx(own - own.mean(), abs=1e-5)
    assert found.reliability.separates


def test_skis_that_never_met_are_not_compared():
    ski = np.array([0, 1, 2, 0, 1, 2, 3, 4, 5, 3, 4, 5])
    session = np.repeat([0, 0, 1, 1], 3)
    value = np.array([1.0, 2, 3, 1, 2, 3, 101, 102, 103, 101, 102, 103])
    found = snow_values(runs_of(value, ski, session))
    assert found.stratum.tolist() == [0, 0, 0, 1, 1, 1]
    assert found.value == pytest.approx([-1, 0, 1, -1, 0, 1], abs=1e-9)
    one = snow_values(runs_of(value, ski, 0 * session))
    assert len(set(one.stratum.tolist())) == 1


def test_kinds_do_not_count_as_skis():
    rng = np.random.default_rng(5)
    kind = np.array([0] * 6 + [1] * 6)
    ski, session, _ = (each.ravel() for each in np.indices((12, 4, 2)))
    value = 50.0 * kind[ski] + rng.normal(size=len(ski))
    told = snow_values(runs_of(value, ski, session, kind=kind)).reliability
    assert told.ski_sd < 1 and not told.separates
    assert snow_values(runs_of(value, ski, session)).reliability.separates  # control: as one kind they differ


@pytest.mark.parametrize(
    ("ski", "session"), [([0, 1, 2], [0, 0, 0]), ([0], [0]), ([0, 0, 0], [0, 1, 2]), ([0, 1], [0, 1])]
)
def test_too_little_says_nothing(ski, session):
    told = snow_values(runs_of(np.arange(len(ski), dtype=float), ski, session)).reliability
    assert told.p is None and not told.separates
