"""Checks of what the knowledge asks of the bench calculations. They are imported only when a check uses one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from advisor.issue import Issue, nearest
from advisor.lint_base import LintCheck
from advisor.model import Check, Knowledge
from advisor.readings import ReadingError, dimension

if TYPE_CHECKING:
    from advisor.calc.base import Calculation

__all__ = ["CalculationsFit", "cited_by_calculations"]


class CalculationsFit(LintCheck):
    """A check's calculation exists, gives its figure in a fitting unit or its outcomes as classes, and its given inputs
    can be read."""

    code = "calculation"

    def run(self, kb: Knowledge) -> Iterator[Issue]:
        if not any(check.calc for check in kb.checks.values()):
            return
        from advisor.calc import catalogue

        calcs = catalogue()
        for check in kb.checks.values():
            if check.calc is None:
                continue
            path = ("checks", check.id, "calc")
            calc = calcs.get(check.calc.name)
            if calc is None:
                hint = nearest(check.calc.name, calcs) or "see: advisor calc"
                yield self.issue(kb, path, f"there is no calculation '{check.calc.name}'", hint)
                continue
            yield from self._result(kb, path, check, calc)
            yield from self._given(kb, path, check, calc)

    def _result(self, kb: Knowledge, path: tuple[Any, ...], check: Check, calc: Calculation) -> Iterator[Issue]:
        figures = {f.id: f.unit for f in calc.figures}
        figure = check.calc.figure if check.calc else None
        if figure is not None and figure not in figures:
            hint = nearest(figure, figures) or f"figures: {', '.join(figures)}"
            yield self.issue(kb, path, f"{calc.id} has no figure '{figure}'", hint)
        elif figure is not None and not self._same(figures[figure], str(check.unit)):
            said = f"{calc.id} gives '{figure}' in {figures[figure]}, the check is in {check.unit}"
            yield self.issue(kb, path, said, "choose another figure or unit")
        elif figure is None and {c.id for c in calc.classes} != {o.id for o in check.outcomes}:
            classes = ", ".join(c.id for c in calc.classes) or "none"
            yield self.issue(
                kb, path, "its outcomes are not the classes of the calculation", f"classes of {calc.id}: {classes}"
            )

    def _given(self, kb: Knowledge, path: tuple[Any, ...], check: Check, calc: Calculation) -> Iterator[Issue]:
        from advisor.calc.base import CalcError
        from advisor.calc.take import Taker, read_input

        for key, text in (check.calc.given if check.calc else {}).items():
            try:
                read_input(calc.input(key), text, Taker(kb.instruments), "fixed")
            except KeyError:
                names = [i.option for i in calc.inputs]
                yield self.issue(kb, path, f"{calc.id} has no input '{key}'", nearest(key, names) or ", ".join(names))
            except CalcError as error:
                yield self.issue(kb, path, str(error), "give a value the calculation takes")

    @staticmethod
    def _same(first: str, second: str) -> bool:
        try:
            return dimension(first) == dimension(second)
        except ReadingError:
            return False


def cited_by_calculations() -> tuple[set[str | None], set[str]]:
    """Instruments and sources that the bench calculations use."""
    from advisor.calc import catalogue

    calcs = list(catalogue().values())
    inputs = [i for c in calcs for each in c.inputs for i in (each, *each.columns)]
    return {i.instrument for i in inputs}, {s for c in calcs for s in c.sources} | {i.source for i in inputs}
