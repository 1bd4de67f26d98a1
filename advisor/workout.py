"""A calculation inside a case: its inputs are recorded as they are typed, its result becomes the check's answer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from advisor.calc import catalogue
from advisor.calc.base import Calculation
from advisor.calc.run import Run, run_data
from advisor.calctalk import CalcTalk, choose, listing
from advisor.checkcalc import answer_from
from advisor.dialogue import Misread
from advisor.model import Check
from advisor.session import CaseError, Event, Session

if TYPE_CHECKING:
    from advisor.consult import Consultation

__all__ = ["work_out"]


def work_out(consultation: Consultation, argument: str, check: Check | None) -> Event | None:
    """Run the check's calculation, or the one named. Returns the answer event when the result is taken as the answer.

    Raises Misread when no calculation is meant.
    """
    desk = consultation.desk
    calcs = catalogue()
    wanted = argument or (check.calc.name if check and check.calc else "")
    if not wanted:
        raise Misread("this step has no calculation of its own; 'calc list' shows them all, 'calc leak-decay' does one")
    if wanted in ("list", "all"):
        desk.show(listing(list(calcs.values()), desk.width))
        desk.say("'calc air' tells what those of a subject answer, 'calc leak-decay' does one beside the case.", "dim")
        return None
    found = choose(wanted, calcs)
    if len(found) != 1:
        if not found:
            raise Misread(f"no calculation is called '{wanted[:30]}'; 'calc list' shows all")
        desk.show(listing(found, desk.width))
        return None
    calc = found[0]
    if check is not None and check.calc and check.calc.name == calc.id:
        return _for_check(consultation, calc, check)
    _beside(consultation, calc)
    return None


def _talk(
    consultation: Consultation, calc: Calculation, fixed: dict[str, str] | None, figure: str | None = None
) -> CalcTalk:
    state = consultation.session.state

    def keep(key: str, typed: Any) -> None:
        consultation.take({"type": "reading", "calculation": calc.id, "input": key, "typed": typed})

    drafts = {k.replace("-", "_"): v for k, v in state.drafts.get(calc.id, {}).items()}
    talk = CalcTalk(consultation.desk, consultation.compiled.kb, calc, state.profile, drafts, fixed, keep, figure)
    talk.desk.say(f"{calc.title}. ? explains an input, 'back' the one before, 'leave' goes back to the check.", "dim")
    return talk


def _for_check(consultation: Consultation, calc: Calculation, check: Check) -> Event | None:
    spec = check.calc
    talk = _talk(consultation, calc, dict(spec.given) if spec else None, spec.figure if spec else None)
    run = talk.ask(again=bool(talk.typed))

    def outcomes(run: Run) -> tuple[str, ...]:
        return _outcomes(consultation.session, check, run)

    while run is not None:
        try:
            talk.show(run, outcomes(run))
            taken = talk.end(run, "takes it as the answer", outcomes)
            return answer_from(check, taken) if taken is not None else None
        except CaseError as error:
            consultation.desk.say(str(error), "warn")
            run = talk.ask(again=True)
    return None


def _outcomes(session: Session, check: Check, run: Run) -> tuple[str, ...]:
    """The check's outcomes with their probability, likeliest first. CaseError when the result cannot be the answer."""
    answer = session.read_answer(check.id, answer_from(check, run))
    shown = [f"{p:4.0%}  {check.outcome(o).label}" for o in answer.ranked if (p := answer.weights[o]) >= 0.005]
    if not answer.sure:
        shown.append("too near the limit to be sure; each counts as much as that")
    return tuple(shown)


def _beside(consultation: Consultation, calc: Calculation) -> None:
    talk = _talk(consultation, calc, None)
    talk.warn()
    run = talk.ask(again=bool(talk.typed))
    if run is None:
        return
    talk.show(run)
    kept = talk.end(run, "keeps it in the case")
    if kept is not None:
        consultation.take({"type": "calculation", "calculation": run_data(kept)})
