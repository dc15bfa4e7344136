"""Every case of a plan checked as a run of it would be, without riding any.

Cases that differ in their seed only are checked once. What is wrong is told where it stands: a value of the
plan at the plan's line, what is wrong in a file by itself at that file's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from emulator.assembly.files import RigSide, ScenarioSide, read_scenario_side, together
from emulator.assembly.session import session_of
from emulator.campaign.plan.case import Case, Places, canonical, named_robot
from emulator.campaign.plan.cases import PlannedCampaign
from emulator.campaign.plan.rig_of_case import rig_side
from emulator.config.campaign.varied import FileKind
from emulator.config.scenario.schema import Scenario
from emulator.core.errors import ConfigError, Problem


@dataclass
class FoundProblem:
    """Something wrong or doubtful, in how many cases, and the first of them."""

    problem: Problem
    cases: int
    first: Case


@dataclass
class CheckedCases:
    """What was found.

    wrong     cases that can't be ridden, by number
    scenarios, rigs  of the cases whose files are right by themselves, by number
    further          scenarios of cases beside those of the table, by the case's id
    """

    problems: dict[Problem, FoundProblem] = field(default_factory=dict)
    warnings: dict[Problem, FoundProblem] = field(default_factory=dict)
    wrong: set[int] = field(default_factory=set)
    scenarios: dict[int, Scenario] = field(default_factory=dict)
    rigs: dict[int, RigSide] = field(default_factory=dict)
    further: dict[str, Scenario] = field(default_factory=dict)

    def in_file(self, file: str) -> list[FoundProblem]:
        """What is wrong in one file, such as the plan itself."""
        return [found for found in self.problems.values() if found.problem.file == file]


def check_cases(
    campaign: PlannedCampaign,
    progress: Callable[[int], None] = lambda _done: None,
    further: Iterable[tuple[Case, Mapping[FileKind, Places]]] = (),
) -> CheckedCases:
    """Check every case. Raises nothing for what is wrong in files.

    progress  is told how many cases are done
    further   cases beside those of the table, with the places of the values over their files
    """
    return _Checking(campaign).all(progress, further)


class _Checking:
    """Both sides of rides, each read once; and whether they go together."""

    def __init__(self, campaign: PlannedCampaign) -> None:
        self._campaign, self._files = campaign, campaign.files
        self._rigs: dict[str, RigSide] = {}
        self._scenarios: dict[str, ScenarioSide] = {}
        self._together: dict[tuple[str, str], tuple[list[Problem], list[Problem]]] = {}
        self._found = CheckedCases()

    def all(
        self,
        progress: Callable[[int], None],
        further: Iterable[tuple[Case, Mapping[FileKind, Places]]],
    ) -> CheckedCases:
        for case in self._campaign.cases:
            if self._told(case, self._campaign.places(case)):
                self._found.wrong.add(case.number)
            progress(case.number + 1)
        for case, places in further:
            self._told(case, places)
        for problem in self._campaign.problems:  # values that found no place: told once, for the whole plan
            self._found.problems.setdefault(problem, FoundProblem(problem, 0, self._campaign.cases[0]))
        return self._found

    def _told(self, case: Case, places: Mapping[FileKind, Places]) -> bool:
        """Check one, and put down what was found; whether anything is wrong."""
        problems, warnings = self._of(case, places)
        for found, into in ((problems, self._found.problems), (warnings, self._found.warnings)):
            for problem in dict.fromkeys(found):
                into.setdefault(problem, FoundProblem(problem, 0, case)).cases += 1
        return bool(problems)

    def _of(self, case: Case, places: Mapping[FileKind, Places]) -> tuple[list[Problem], list[Problem]]:
        rig_key = canonical(
            [str(case.rig), case.rig_overlay, str(case.vehicle), case.vehicle_overlay, case.robot]
        )
        scenario_key = canonical([str(case.scenario), case.scenario_overlay, case.parameters])
        key = (rig_key, scenario_key)
        if rig_key not in self._rigs:
            self._rigs[rig_key] = self._rig_side(case, places)
        if scenario_key not in self._scenarios:
            self._scenarios[scenario_key] = self._scenario_side(case, places)
        rig, scenario = self._rigs[rig_key], self._scenarios[scenario_key]
        if key not in self._together:
            self._together[key] = self._meet(case, rig, scenario)
        if scenario.scenario is not None and rig.rig is not None:
            if case.number < 0:
                self._found.further[case.id] = scenario.scenario
                return self._together[key]
            self._found.scenarios[case.number] = scenario.scenario
            self._found.rigs[case.number] = rig
        return self._together[key]

    def _rig_side(self, case: Case, places: Mapping[FileKind, Places]) -> RigSide:
        try:
            rig = self._files.rig(case, places["rig"])
            vehicle = self._files.vehicle(case, places["vehicle"])
        except ConfigError as error:
            return RigSide(None, None, None, None, tuple(error.problems), ())
        return rig_side(case, rig, vehicle)

    def _scenario_side(self, case: Case, places: Mapping[FileKind, Places]) -> ScenarioSide:
        try:
            scenario = self._files.scenario(case, places["scenario"])
        except ConfigError as error:
            return ScenarioSide(None, None, tuple(error.problems))
        return read_scenario_side(scenario, case.parameters, stage=self._campaign.plan.stage)

    def _meet(self, case: Case, rig: RigSide, scenario: ScenarioSide) -> tuple[list[Problem], list[Problem]]:
        try:
            session = session_of(
                together(rig, scenario),
                seed=case.seed,
                vehicle=self._files.vehicle(case),
                parameters=case.parameters,
                stage=self._campaign.plan.stage,
                robot=named_robot(case),
            )
        except ConfigError as error:
            return error.problems, []
        return [], session.warnings
