"""The electrical sheet of one board: what was measured, what it amounts to, what may be measured next.

A sheet is a value that is never changed: every entry gives a new sheet. Later entries for a step replace
earlier ones, which are kept. What a sheet says follows from its records alone, so storing those and the
size of the drive is enough to have it again.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal

from mendbay.board.electrical_findings import Finding, Statement, find, state
from mendbay.board.electrical_form import CONCLUSIVE, FAULTY, ElectricalForm, Gate, Size, Step, ValueClass
from mendbay.board.electrical_form_file import packaged_form
from mendbay.board.electrical_judge import (
    Context,
    Judgement,
    Leads,
    MotorReading,
    judge,
    judge_groups,
    solve_ends,
    solve_star,
)
from mendbay.board.electrical_steps import (
    Answers,
    Closing,
    StepStanding,
    StepState,
    Suggestion,
    gates_of,
    stand,
    suggest,
)
from mendbay.board.electrical_units import LONGEST_TEXT, Unit
from mendbay.core.errors import UsageError

MOST_RECORDS = 2_000
LONGEST_WORDS = 500

_MOMENT = re.compile(r"[0-9]{4}-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-6][0-9]Z")
_UNKEEPABLE = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")


@dataclass(frozen=True, slots=True)
class Entry:
    """What was entered at a step: `text` as typed, or, for a step left out, why in `skipped`."""

    number: int
    step: str
    text: str
    at: str
    who: str
    note: str = ""
    skipped: str = ""


@dataclass(frozen=True, slots=True)
class Override:
    """A person's word that power may go through a gate in spite of what closed it before `number`; or, if
    `taken_back`, that no such word counts any longer."""

    number: int
    gate: Gate
    reason: str
    at: str
    who: str
    taken_back: bool = False


Record = Entry | Override


@dataclass(frozen=True, slots=True)
class Standing:
    """All that follows from a sheet's records.

    Args:
        steps: every step in order, with where it stands.
        judgements: of the latest entries, groups compared, by step; steps without entry are missing.
        closings: what keeps gates closed now.
        overridden: what would keep them closed but for an override.
        next: the step to do next, None if nothing can be done.
        findings: the evidence for triage.
        statements: what the findings say together.
        motor: the motor's windings, None until all their readings are there.
        remarks: sentences about the readings themselves, such as a motor that does not add up, or values
            that count for nothing because the leads were out of their range.
        unread: entries that this form cannot read: of a step it does not have, or no value of its unit.
        faulty: the steps of the leads and of the wrist strap that are out of their range now: what needs them
            takes no entry.
    """

    steps: tuple[StepStanding, ...]
    judgements: Mapping[str, Judgement]
    closings: tuple[Closing, ...]
    overridden: tuple[Closing, ...]
    next: Suggestion | None
    findings: tuple[Finding, ...]
    statements: tuple[Statement, ...]
    motor: MotorReading | None
    remarks: tuple[str, ...]
    unread: tuple[Entry, ...]
    faulty: tuple[str, ...] = ()

    def of(self, step: str) -> StepStanding:
        """Where a step stands.

        Raises:
            KeyError: the form has no such step.
        """
        for one in self.steps:
            if one.step.id == step:
                return one
        raise KeyError(step)


@dataclass(frozen=True, slots=True)
class Sheet:
    """The sheet of one board.

    Args:
        size: the drive's size as far as known; a sheet with another size is had by `dataclasses.replace`,
            and judges every entry anew.
        drive_at_hand: whether the drive is there too; without it its steps do not apply.
        records: entries and overrides in the order made, numbered from 1.
        form: what the sheet is filled in by.

    Raises:
        UsageError: records that are too many, out of order, or hold a text or time that cannot be kept.
    """

    size: Size = Size.UNKNOWN
    drive_at_hand: bool = True
    records: tuple[Record, ...] = ()
    form: ElectricalForm = field(default_factory=packaged_form, repr=False, compare=False)

    def __post_init__(self) -> None:
        if len(self.records) > MOST_RECORDS:
            raise UsageError(f"The sheet has more than {MOST_RECORDS} entries", "Begin a new sheet")
        for number, record in enumerate(self.records, 1):
            if record.number != number:
                raise UsageError(
                    f"Entry {record.number} of the sheet stands at place {number}", "Give them in order"
                )
            _require_record(record)

    def with_entry(self, step: str, text: str, *, at: str, who: str, note: str = "") -> Sheet:
        """The sheet with a value or a choice entered, as typed.

        Raises:
            UsageError: no such step, not a value for it, a step that does not apply or has to wait, or
                one that sends power where a short or a stop forbids it.
        """
        asked = self._open_step(step)
        judge(self.form, asked, text, Context(self.size, self._leads_most(), {}))  # refuses what is no value
        return self._with(Entry(len(self.records) + 1, step, text, at, who, note))

    def with_skip(self, step: str, reason: str, *, at: str, who: str) -> Sheet:
        """The sheet with a step left out, and why: not fitted, not to be reached, no instrument.

        A skip settles nothing: what must be known before power still waits, a closed gate stays closed.

        Raises:
            UsageError: no such step, or no reason.
        """
        self._step(step)
        if not reason.strip():
            raise UsageError(f"The step {step} is skipped without a reason", "Say why it is left out")
        return self._with(Entry(len(self.records) + 1, step, "", at, who, skipped=reason))

    def with_override(self, gate: Gate, reason: str, *, at: str, who: str) -> Sheet:
        """The sheet with a closed gate opened by a person's word. What closes it later closes it again.

        Raises:
            UsageError: no reason, nobody named, or a gate that is not closed.
        """
        if not reason.strip() or not who.strip():
            raise UsageError(
                "An override needs a reason and a name", "Say what was done and who answers for it"
            )
        if not any(one.gate is gate for one in self.standing().closings):
            raise UsageError(f"Nothing bars {gate.value} now", "Enter what is measured")
        return self._with(Override(len(self.records) + 1, gate, reason, at, who))

    def with_override_taken_back(self, gate: Gate, reason: str, *, at: str, who: str) -> Sheet:
        """The sheet with a gate closed again that only a person's word holds open.

        Raises:
            UsageError: no reason, nobody named, or no such word counts.
        """
        if not reason.strip() or not who.strip():
            raise UsageError(
                "An override is taken back with a reason and a name", "Say why power must stay away again"
            )
        if not any(one.gate is gate for one in self.standing().overridden):
            raise UsageError(
                f"Nobody's word lets power through {gate.value}",
                "Power is let through only by board override",
            )
        return self._with(Override(len(self.records) + 1, gate, reason, at, who, taken_back=True))

    def entries(self, step: str) -> tuple[Entry, ...]:
        """All entries of a step, the latest last."""
        return tuple(one for one in self.records if isinstance(one, Entry) and one.step == step)

    def standing(self) -> Standing:
        """What follows from the records: computed anew on every call."""
        return _Reckoning(self).standing()

    def _step(self, step: str) -> Step:
        found = self.form.steps.get(step)
        if found is None:
            raise UsageError(f"The sheet has no step {step[:60]!r}", "Use the id of a step as it is listed")
        return found

    def _open_step(self, step: str) -> Step:
        asked = self._step(step)
        whole = self.standing()
        standing = whole.of(step)
        if standing.barred:
            if standing.state is not StepState.NOT_FOR_THIS and whole.faulty:
                tool = self.form.steps[whole.faulty[0]]
                next_step = f"Put it right, or take another, and enter it anew at {tool.id}: {tool.question}"
            elif any(one.gate in asked.needs for one in whole.closings):
                next_step = "Find and mend it and measure again, or override with a reason"
            else:
                next_step = "Take the steps in the order they are offered"
            raise UsageError(f"The step {step} is not open. {standing.why}", next_step)
        return asked

    def _leads_most(self) -> Leads:
        return Leads(Decimal(0), self.form.leads_at_most)

    def _with(self, record: Record) -> Sheet:
        return replace(self, records=(*self.records, record))


class _Reckoning:
    """Works through the records of a sheet once."""

    def __init__(self, sheet: Sheet) -> None:
        self.sheet = sheet
        self.form = sheet.form
        self.entries = [one for one in sheet.records if isinstance(one, Entry)]
        self.unread: list[Entry] = []
        self.latest: dict[str, Judgement] = {}
        self.skipped: dict[str, str] = {}
        self.closed_by: dict[str, Judgement] = {}
        self.faulty: dict[str, Judgement] = {}
        self.void: dict[str, None] = {}
        self.chosen = self._chosen()
        self.leads_at = self._measured_leads()

    def standing(self) -> Standing:
        for entry in self.entries:
            self._take(entry)
        if self.form.leads in self.faulty and not self.leads_at:
            self._void_all()
        judgements = judge_groups(self.form, self.latest)
        closings, overridden = self._closings()
        answers = Answers(
            self.sheet.size, self.sheet.drive_at_hand, judgements, self.skipped, closings, self.faulty
        )
        steps = stand(self.form, answers)
        applying = [one.step for one in steps if one.state is not StepState.NOT_FOR_THIS]
        usable = {step.id: judgements[step.id] for step in applying if step.id in judgements}
        asked = [step for step in applying if not step.optional and not step.powered]
        findings = find(self.form, usable, asked)
        motor = self._motor(usable)
        return Standing(
            steps,
            judgements,
            closings,
            overridden,
            suggest(self.form, answers, steps),
            findings,
            state(self.form, findings),
            motor,
            (*self._remarks(motor), *self._void_remark()),
            tuple(self.unread),
            tuple(self.faulty),
        )

    def _take(self, entry: Entry) -> None:
        step = self.form.steps.get(entry.step)
        if step is None:
            self.unread.append(entry)
            return
        if entry.skipped:
            self.latest.pop(step.id, None)
            self.skipped[step.id] = entry.skipped
            return
        self.skipped.pop(step.id, None)
        judged = self._judge(step, entry)
        if step.measured and step.id != self.form.leads and self.form.leads in self.faulty:
            self._void(judged)
            return
        self.latest[step.id] = judged
        self.void.pop(step.id, None)
        if step.id in (self.form.leads, self.form.strap):
            self._take_tool(step.id, judged)
        if judged.closes:
            self.closed_by[step.id] = judged
        elif judged.value_class in CONCLUSIVE:  # nothing less shows that the short is gone
            self.closed_by.pop(step.id, None)

    def _take_tool(self, tool: str, judged: Judgement) -> None:
        if judged.value_class in FAULTY:
            self.faulty[tool] = judged
        elif judged.value_class is ValueClass.WITHIN:  # nothing less shows that it can be used again
            self.faulty.pop(tool, None)

    def _void(self, judged: Judgement) -> None:
        """What was measured with leads out of their range counts for nothing, but for what closes a gate: an
        open lead shows no short, it cannot make one."""
        if judged.closes:
            self.latest[judged.step] = self.closed_by[judged.step] = judged
            return
        self.latest.pop(judged.step, None)
        self.void[judged.step] = None

    def _void_all(self) -> None:
        """Nothing measured counts while the only word on the leads is that they are out of their range."""
        for judged in list(self.latest.values()):
            if self.form.steps[judged.step].measured and judged.step != self.form.leads:
                self._void(judged)

    def _void_remark(self) -> tuple[str, ...]:
        if not self.void:
            return ()
        steps = ", ".join(self.void)
        return (
            f"Measured while the meter's leads were out of their range, and counts for nothing: {steps}. "
            "Measure again once the leads are right.",
        )

    def _judge(self, step: Step, entry: Entry) -> Judgement:
        context = Context(self.sheet.size, self._leads(entry.number), self.chosen)
        try:
            return replace(judge(self.form, step, entry.text, context), entry=entry.number)
        except UsageError as trouble:  # stored by another form
            self.unread.append(entry)
            return Judgement(
                step.id, ValueClass.CANNOT_BE_JUDGED, trouble.what, step.observation, entry=entry.number
            )

    def _chosen(self) -> dict[str, str]:
        """The latest word at every step of choices: a corrected answer counts for what rests on it."""
        chosen: dict[str, str] = {}
        for entry in self.entries:
            step = self.form.steps.get(entry.step)
            if step is not None and step.unit is Unit.CHOICE:
                choice = step.choice(entry.text)
                chosen[step.id] = choice.word if choice else ""
        return chosen

    def _measured_leads(self) -> list[tuple[int, Decimal]]:
        """Sound measurements of the leads, with the number of their entry."""
        step = self.form.steps[self.form.leads]
        found: list[tuple[int, Decimal]] = []
        for entry in self.entries:
            if entry.step != step.id or entry.skipped:
                continue
            unknown = Context(self.sheet.size, self.sheet._leads_most(), {})
            try:
                judged = judge(self.form, step, entry.text, unknown)
            except UsageError:
                continue
            if judged.value_class is ValueClass.WITHIN and judged.least == judged.most:
                assert judged.least is not None
                found.append((entry.number, judged.least))
        return found

    def _leads(self, number: int) -> Leads:
        """The leads of an entry: as last measured before it, else as first measured after it.

        Later measurements of other leads do not reach back, so they cannot talk away an earlier short.
        """
        before = [ohms for at, ohms in self.leads_at if at < number]
        after = [ohms for at, ohms in self.leads_at if at > number]
        if before or after:
            ohms = before[-1] if before else after[0]
            return Leads(ohms, ohms)
        return self.sheet._leads_most()

    def _closings(self) -> tuple[tuple[Closing, ...], tuple[Closing, ...]]:
        lifted = {
            one.gate: 0 if one.taken_back else one.number
            for one in self.sheet.records
            if isinstance(one, Override)
        }
        every = [
            Closing(gate, judged.step, judged.entry, judged.why)
            for judged in self.closed_by.values()
            for gate in gates_of(self.form.steps[judged.step])
        ]
        ordered = sorted(every, key=lambda one: (list(Gate).index(one.gate), one.entry))
        standing = tuple(one for one in ordered if one.entry > lifted.get(one.gate, 0))
        return standing, tuple(one for one in ordered if one not in standing)

    def _motor(self, judgements: Mapping[str, Judgement]) -> MotorReading | None:
        roles = self.form.motor
        between = _typed(roles.between, judgements)
        if between is None:
            return None
        common = _typed(roles.common, judgements)
        if common is not None:
            return solve_star(common, between)
        if any(one in judgements for one in roles.common):
            return None
        leads = self._leads(max(judgements[one].entry for one in roles.between))
        return solve_ends(between, leads.most) if leads.known else None

    def _remarks(self, motor: MotorReading | None) -> tuple[str, ...]:
        if motor is None:
            return ()
        said = []
        if motor.misfit > self.form.motor.misfit.value:
            said.append(
                "The motor's six readings do not fit three windings in a star: a contact was bad or two "
                "readings were swapped. Measure them again."
            )
        if motor.common:
            said.append(
                "Another contact than the one taken as common reads lowest: the common one is the end of "
                f"the winding noted as number {motor.common}."
            )
        if min(motor.phases) < 0 or motor.leads < 0:
            said.append("The motor's readings add up to a resistance below zero: measure them again.")
        return tuple(said)


def _typed(steps: tuple[str, ...], judgements: Mapping[str, Judgement]) -> list[Decimal] | None:
    values = [judgements[one].typed if one in judgements else None for one in steps]
    known = [one for one in values if one is not None]
    return known if len(known) == len(values) else None


def _require_record(record: Record) -> None:
    if not _MOMENT.fullmatch(record.at):
        raise UsageError(
            f"{record.at[:40]!r} is not a time as records carry it", "Use UTC, like 2026-11-25T07:10:00Z"
        )
    limits = (
        [
            (record.text, LONGEST_TEXT),
            (record.step, 60),
            (record.note, LONGEST_WORDS),
            (record.skipped, LONGEST_WORDS),
        ]
        if isinstance(record, Entry)
        else [(record.reason, LONGEST_WORDS)]
    )
    for text, limit in (*limits, (record.who, LONGEST_WORDS)):
        if len(text) > limit:
            raise UsageError(
                f"A text of {len(text)} characters is too long for the sheet", f"Use {limit} at most"
            )
        bad = _UNKEEPABLE.search(text)
        if bad:
            raise UsageError(
                f"{text[:40]!r} holds the character U+{ord(bad[0]):04X}, which cannot be kept",
                "Leave that character out",
            )
