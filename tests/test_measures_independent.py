"""Our measures against other code: SciPy's matching and bootstrap, RapidFuzz, the standard library."""

from __future__ import annotations

import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_bipartite_matching
from scipy.stats import bootstrap

from neumary.measures import Share, Tally, calibration_error, edit_distance, hands_off_share, match
from neumary.metrics import PageScore, bootstrap_interval

rapidfuzz = pytest.importorskip("rapidfuzz")

counts = st.integers(0, 50)


@given(st.integers(1, 9), st.integers(1, 9), st.integers(0, 2**32 - 1))
def test_as_many_pairs_as_hopcroft_and_karp_find(rows: int, cols: int, seed: int) -> None:
    """Another algorithm, which knows of no costs, finds as many pairs within the limit."""
    cost = np.random.default_rng(seed).random((rows, cols))
    pairs = match(cost, 0.3)
    other = maximum_bipartite_matching(csr_array((cost <= 0.3).astype(int)), perm_type="column")
    assert len(pairs) == int((other >= 0).sum())


@given(counts, counts, counts)
def test_f1_is_the_harmonic_mean(hit: int, spurious: int, missed: int) -> None:
    tally = Tally(hit, spurious, missed)
    if hit:
        expected = statistics.harmonic_mean([tally.precision, tally.recall])
        assert tally.f1 == pytest.approx(expected)
    assert tally.f1 == Tally(hit, missed, spurious).f1  # symmetric in read and true


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(-1, 0)), max_size=12),
       st.lists(st.tuples(st.integers(0, 5), st.integers(-1, 0)), max_size=12))  # fmt: skip
def test_edits_by_rapidfuzz_and_symmetric(a: list, b: list) -> None:
    edits = edit_distance(a, b)
    assert edits == rapidfuzz.distance.Levenshtein.distance(a, b) == edit_distance(b, a)
    assert edits <= rapidfuzz.distance.Indel.distance(a, b)  # without substitutions it takes no fewer


@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=40))
def test_calibration_error_is_a_weighted_mean_of_gaps(outcomes: list) -> None:
    """By NumPy's histogram instead of our own bins."""
    p = np.array([x for x, _ in outcomes])
    right = np.array([float(y) for _, y in outcomes])
    place = np.clip((p * 10).astype(int), 0, 9)
    sums = np.histogram(place, bins=range(11), weights=right - p)[0]
    assert calibration_error(outcomes) == pytest.approx(np.abs(sums).sum() / len(outcomes), abs=1e-9)


@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), max_size=30), st.integers(0, 5))
def test_hands_off_by_trying_every_level(outcomes: list, missed: int) -> None:
    total = len(outcomes) + missed
    best = 0
    for level, _ in outcomes:
        taken = [right for p, right in outcomes if p >= level]
        if taken.count(False) <= 0.005 * len(taken):
            best = max(best, len(taken))
    assert hands_off_share(outcomes, missed=missed) == (best / total if total else 1.0)


def test_bootstrap_agrees_with_scipy() -> None:
    """Ends of the interval of a recall over 40 pages, against `scipy.stats.bootstrap` (percentile)."""
    rng = np.random.default_rng(3)
    hits = rng.integers(60, 100, size=40)
    pages = [PageScore(pages=1, notes=Tally(int(h), 0, int(100 - h)), label=Share(1, 1)) for h in hits]
    low, high = bootstrap_interval(pages, lambda s: s.notes.recall, draws=4000)
    other = bootstrap(
        (hits / 100.0,), np.mean, n_resamples=4000, method="percentile", rng=np.random.default_rng(4)
    ).confidence_interval
    assert (low, high) == pytest.approx((other.low, other.high), abs=0.004)
    assert low < hits.mean() / 100 < high
