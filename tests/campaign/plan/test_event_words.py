"""Events in a few words, for tables and labels."""

import pytest

from emulator.campaign.plan.event_words import acts_on, event_words

AT = {"time_s": 3.0}
SAID = [
    ({"kind": "fault", "signal": "lean_rad", "effect": "dropout", "at": AT, "duration_s": 0.08},
     "lean_rad dropout for 80 ms at 3 s"),
    ({"kind": "fault", "signal": "lean_rad", "effect": "offset", "value": 0.05, "at": {"station_m": 80.0}},
     "lean_rad offset 0.05 at 80 m"),
    (
        {"kind": "frame", "frame": "imu_rates", "effect": "delay", "delay_ms": 15.0, "at": AT}
        | {"duration_s": 4.0},
        "imu_rates delay 15 ms for 4 s at 3 s",
    ),
    ({"kind": "gust", "speed_m_s": 12.0, "at": {"sector": 2}}, "gust 12 m/s in sector 2"),
    ({"kind": "restart", "sensor": "gnss", "at": {"signal": "lean_rad", "rises_above": 0.3}},
     "restart gnss when lean_rad is above 0.3"),
    ({"kind": "gnss", "effect": "outage", "at": {"started": "gust"}}, "gnss outage when started"),
    ({"kind": "nonsense"}, "nonsense"),
]  # fmt: skip


@pytest.mark.parametrize(("event", "words"), SAID, ids=[words for _, words in SAID])
def test_what_an_event_does_how_much_how_long_and_when(event: dict, words: str) -> None:
    assert event_words(event) == words


def test_what_it_acts_on() -> None:
    assert [acts_on(event) for event, _ in SAID] == ["lean_rad", "lean_rad", "imu_rates", "", "gnss", "", ""]
