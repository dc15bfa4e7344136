"""Temporal logic: margins against a table, another implementation, the definition, and a clock."""

import math
import time
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from emulator.criteria.temporal import (
    Always,
    Closest,
    Compare,
    Either,
    Eventually,
    Every,
    Monitor,
    Not,
    Until,
    implies,
)

REFERENCE = YAML(typ="safe").load(
    (Path(__file__).parents[1] / "reference" / "stl_robustness.yaml").read_text()
)
X, Y = Compare("x", "at_least", 0.0), Compare("y", "at_least", 0.0)
TABLE = {
    "x>=0": X,
    "not(x>=0)": Not(X),
    "x>=0 and y>=0": Every((X, Y)),
    "x>=0 or y>=0": Either((X, Y)),
    "x>=0 implies y>=0": implies(X, Y),
    "always[0,2](x>=0)": Always(X, 0.0, 2.0),
    "eventually[0,2](x>=0)": Eventually(X, 0.0, 2.0),
    "(x>=0) until[0,2] (y>=0)": Until(X, Y, 0.0, 2.0),
    "always(x>=0)": Always(X),
    "eventually(y>=1.5)": Eventually(Compare("y", "at_least", 1.5)),
}


def monitor(x, y, period_s=1.0):
    return Monitor({"x": np.array(x, float), "y": np.array(y, float)}, period_s)


@pytest.mark.parametrize("words", TABLE)
def test_the_table(words):
    """Semantics of Donze and Maler 2010; values by hand and with rtamt 0.4.10 (see the file)."""
    trace = REFERENCE["trace"]
    found = monitor(trace["x"], trace["y"]).margins(TABLE[words])
    assert found.tolist() == REFERENCE["results"][words]


# ---- another implementation --------------------------------------------------------------------------------


def compares():
    return st.builds(
        Compare,
        st.sampled_from(["x", "y"]),
        st.sampled_from(["at_least", "at_most"]),
        st.integers(-3, 3).map(float),
    )


def windows(kind, *parts):
    return st.builds(
        lambda *args: kind(*args[:-2], float(args[-2]), float(args[-2] + args[-1])),
        *parts,
        st.integers(0, 4),
        st.integers(0, 6),
    )


FORMULAS = st.recursive(
    compares(),
    lambda inner: (
        st.builds(Not, inner)
        | st.builds(lambda a, b: Every((a, b)), inner, inner)
        | st.builds(lambda a, b: Either((a, b)), inner, inner)
        | windows(Always, inner)
        | windows(Eventually, inner)
        | windows(Until, inner, inner)
        | st.builds(Always, inner)
        | st.builds(Eventually, inner)
        | st.builds(Until, inner, inner)
    ),
    max_leaves=5,
)
TRACES = st.lists(st.tuples(st.integers(-5, 5), st.integers(-5, 5)), min_size=2, max_size=12)


def window(f):
    return "" if f.to_s == math.inf else f"[{f.from_s:g},{f.to_s:g}]"


def theirs(f):
    """The formula in rtamt's words."""
    if isinstance(f, Compare):
        return f"({f.signal} {'>=' if f.relation == 'at_least' else '<='} {f.limit:g})"
    if isinstance(f, Not):
        return f"(not ({theirs(f.part)}))"
    if isinstance(f, Every | Either):
        return "(" + (" and " if isinstance(f, Every) else " or ").join(theirs(p) for p in f.parts) + ")"
    if isinstance(f, Until):
        return f"(({theirs(f.holding)}) until{window(f)} ({theirs(f.goal)}))"
    return f"({'always' if isinstance(f, Always) else 'eventually'}{window(f)} ({theirs(f.part)}))"


def their_library():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of its parser, about typing.io
        return pytest.importorskip("rtamt", reason="rtamt can't be imported from Python 3.13 on")


@pytest.mark.slow
@settings(max_examples=400)
@given(formula=FORMULAS, trace=TRACES)
def test_margins_equal_another_implementation(formula, trace):
    rtamt = their_library()
    specification = rtamt.StlDiscreteTimeSpecification()
    specification.declare_var("x", "float")
    specification.declare_var("y", "float")
    specification.spec = theirs(formula)
    specification.parse()
    x, y = ([float(v) for v in column] for column in zip(*trace, strict=True))
    found = specification.evaluate({"time": list(range(len(x))), "x": x, "y": y})
    assert monitor(x, y).margins(formula).tolist() == [margin for _, margin in found]


# ---- the definition, word by word --------------------------------------------------------------------------


def by_definition(f, trace, t):
    n = len(trace["x"])
    if isinstance(f, Compare):
        value = trace[f.signal][t]
        return value - f.limit if f.relation == "at_least" else f.limit - value
    if isinstance(f, Not):
        return -by_definition(f.part, trace, t)
    if isinstance(f, Every):
        return min(by_definition(p, trace, t) for p in f.parts)
    if isinstance(f, Either):
        return max(by_definition(p, trace, t) for p in f.parts)
    inside = [j for j in range(t, n) if f.from_s <= j - t <= f.to_s]
    if isinstance(f, Always):
        return min((by_definition(f.part, trace, j) for j in inside), default=math.inf)
    if isinstance(f, Eventually):
        return max((by_definition(f.part, trace, j) for j in inside), default=-math.inf)
    return max(
        (
            min(
                by_definition(f.goal, trace, j),
                min((by_definition(f.holding, trace, i) for i in range(t, j)), default=math.inf),
            )
            for j in inside
        ),
        default=-math.inf,
    )


@settings(max_examples=300)
@given(formula=FORMULAS, trace=TRACES)
def test_margins_are_as_defined(formula, trace):
    x, y = zip(*trace, strict=True)
    found = monitor(x, y).margins(formula)
    assert found.tolist() == [by_definition(formula, {"x": x, "y": y}, t) for t in range(len(x))]


@settings(max_examples=300)
@given(formula=FORMULAS, trace=TRACES, row=st.integers(0, 11))
def test_the_place_it_is_closest_is_one_that_decides(formula, trace, row):
    """The comparison named has, there and but for its sign, the very margin of the whole."""
    x, y = zip(*trace, strict=True)
    m = monitor(x, y)
    row = min(row, len(x) - 1)
    found = m.closest(formula, row)
    assert found.margin == m.margins(formula)[row]
    if found.comparison is None:
        assert abs(found.margin) == math.inf
    elif abs(found.margin) < math.inf:
        assert abs(m.margins(found.comparison)[found.row]) == abs(found.margin)
        assert found.row >= row


def test_until_need_not_hold_at_the_goal_itself():
    """The convention: at t = 0 the other one would say 1.0 (see the reference file)."""
    trace = REFERENCE["trace"]
    assert monitor(trace["x"], trace["y"]).margins(Until(X, Y, 0.0, 2.0))[0] == 2.0


def test_the_moment_it_was_closest():
    m = monitor([5.0, 4.0, 0.5, 3.0], [0.0, 0.0, 0.0, 2.0])
    low = Compare("x", "at_least", 1.0)
    assert m.closest(Always(low)) == Closest(-0.5, 2, low)
    reached = Compare("y", "at_least", 1.5)
    assert m.closest(Eventually(reached)) == Closest(0.5, 3, reached)
    assert m.closest(Until(low, reached)) == Closest(-0.5, 2, low)


def test_size_is_what_counts_where_the_sign_does_not():
    m = monitor([0.4, -0.9, 0.2], [0, 0, 0])
    assert m.closest(Always(Compare("x", "at_most", 0.8, size=True))).margin == pytest.approx(-0.1)


def test_what_is_not_known_is_not_met():
    m = monitor([1.0, math.nan, 1.0, 1.0], [1.0, 1.0, 1.0, 1.0])
    for formula in (Always(X, 0.0, 2.0), Eventually(X, 0.0, 2.0), Until(X, Y, 0.0, 2.0), Not(Always(X))):
        margins = m.margins(formula)
        assert np.isnan(margins[:2]).all(), formula
        assert margins[3] in (1.0, -1.0)
    assert m.closest(Always(X)).row == 1


def test_a_signal_the_record_has_not_is_named():
    with pytest.raises(KeyError, match="z"):
        monitor([1.0], [1.0]).margins(Compare("z", "at_least", 0.0))


def test_windows_are_in_seconds():
    m = monitor([3, 1, 4, -2, 5], [0] * 5, period_s=0.5)
    assert m.margins(Always(X, 0.0, 1.0)).tolist() == REFERENCE["results"]["always[0,2](x>=0)"]


@pytest.mark.timing
def test_ten_minutes_of_record_with_twenty_criteria_take_less_than_two_seconds():
    rng = np.random.default_rng(5)
    signals = {name: rng.standard_normal(600_000) for name in ("x", "y")}
    Monitor({k: v[:100] for k, v in signals.items()}).margins(Until(X, Y, 0.1, 0.2))  # compiles
    formulas = [
        kind(Compare(name, "at_least", limit), 0.1 * k, 0.1 * k + 2.0)
        for k in range(4)
        for kind in (Always, Eventually)
        for name, limit in (("x", -3.0), ("y", 2.0))
    ]
    formulas += [Until(X, Compare("y", "at_least", 2.0 + k), 0.0, 5.0) for k in range(4)]
    assert len(formulas) == 20
    begun = time.perf_counter()
    m = Monitor(signals)
    for formula in formulas:
        m.closest(formula)
    took = time.perf_counter() - begun
    print(f"20 criteria over 600,000 samples: {took:.2f} s")
    assert took < 2.0
