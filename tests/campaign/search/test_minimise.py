"""Lost cases made smaller: of rides that are functions whose smallest failure is known."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest

from emulator.campaign.search.minimise import AT_ONCE, Disturbance, Disturbances, Minimised, Scale, minimise
from emulator.campaign.search.outcome import Outcome

SIZE, SHORT, LATE = Scale(0.0, 1.0), Scale(0.0, 0.1), Scale(20.0, 0.5)
SCALES = (("size", SIZE), ("duration_s", SHORT), ("onset_s", LATE))


def one(name: str, size: float = 50.0, duration: float = 4.0, onset: float = 2.0) -> Disturbance:
    return Disturbance(name, size, duration, onset, SCALES)  # type: ignore[arg-type]


def by(
    lost: Callable[[dict[str, Disturbance]], bool | None],
) -> Callable[[Sequence[Disturbances]], list[Outcome]]:
    return lambda cases: [Outcome(lost({d.name: d for d in case})) for case in cases]


def small(
    given: Disturbances, lost: Callable[[dict[str, Disturbance]], bool | None], budget: int = 500
) -> Minimised:
    found = minimise(given, by(lost), budget=budget)
    if found.failure is not None:
        assert lost({d.name: d for d in found.failure})  # what is told is lost
    return found


def values(found: Minimised) -> list[tuple[str, float | None, float | None, float | None]]:
    assert found.failure is not None
    return [(d.name, d.size, d.duration_s, d.onset_s) for d in found.failure]


def test_what_does_not_matter_goes() -> None:
    found = small((one("a"), one("b"), one("c"), one("d")), lambda d: "b" in d and "d" in d)
    assert values(found) == [("b", 0.0, 0.0, 20.0), ("d", 0.0, 0.0, 20.0)]


def test_what_is_left_is_as_small_as_short_and_as_late_as_it_goes() -> None:
    def lost(d: dict[str, Disturbance]) -> bool:
        a = d.get("a")
        return (
            a is not None
            and (a.size or 0.0) >= 17.3
            and (a.duration_s or 0.0) >= 1.25
            and (a.onset_s or 0.0) <= 11.2
        )

    assert values(small((one("b"), one("a")), lost)) == [("a", 18.0, 1.3, 11.0)]


def test_two_that_need_each_other_stay_both() -> None:
    def lost(d: dict[str, Disturbance]) -> bool:
        return sum(x.size or 0.0 for x in d.values()) >= 60.0

    found = small((one("a"), one("b")), lost)
    assert [v[0] for v in values(found)] == ["a", "b"]
    assert [v[1] for v in values(found)] == [10.0, 50.0]


def test_a_size_that_grows_worse_downwards_is_made_smaller_towards_its_mildest() -> None:
    gain = Disturbance("gain", 0.2, scales=(("size", Scale(1.0, 0.05)),))
    found = small((gain,), lambda d: (d["gain"].size or 0.0) < 0.63)
    assert values(found) == [("gain", 0.6, None, None)]


def test_what_has_no_scale_stays_as_it_is() -> None:
    fixed = Disturbance("a", 5.0, 2.0, 1.0)
    assert small((fixed,), lambda d: True).failure == (fixed,)


def test_what_is_not_lost_when_ridden_again_is_told() -> None:
    found = small((one("a"),), lambda d: False)
    assert (found.failure, found.rides) == (None, 1)


def test_a_ride_that_does_not_count_is_no_failure() -> None:
    found = small((one("a"),), lambda d: None if (d["a"].size or 0.0) < 30.0 else True)
    assert values(found)[0][1] == 30.0


def test_the_budget_is_kept_and_told() -> None:
    found = small(
        (one("a"), one("b")), lambda d: (d["a"].size or 0.0) >= 17.0 if "a" in d else False, budget=6
    )
    assert found.exhausted
    assert found.rides <= 6


def test_generations_are_small_and_nothing_is_ridden_twice() -> None:
    asked: list[Disturbances] = []
    sizes: list[int] = []

    def ride(cases: Sequence[Disturbances]) -> list[Outcome]:
        asked.extend(cases)
        sizes.append(len(cases))
        return [Outcome(any(d.name == "a" and (d.size or 0.0) >= 17.0 for d in case)) for case in cases]

    first = minimise((one("a"), one("b")), ride, budget=500)
    assert len(set(asked)) == len(asked) == first.rides
    assert len(sizes) == first.generations
    assert max(sizes) <= AT_ONCE
    again = minimise((one("a"), one("b")), ride, budget=500)
    assert again == first


def test_what_can_not_be_made_smaller() -> None:
    with pytest.raises(ValueError, match="at least 1 ride"):
        minimise((one("a"),), by(lambda d: True), budget=0)
    with pytest.raises(ValueError, match="1 rides asked for, 0 outcomes"):
        minimise((one("a"),), lambda cases: [], budget=9)
    with pytest.raises(ValueError, match="a resolution above 0"):
        Scale(0.0, 0.0)
