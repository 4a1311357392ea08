"""What a mutation run says: counts, score, and a page that lists every survivor and every equivalent mutant."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

KILLED, TIMED_OUT, NOT_VIABLE, SURVIVED = "killed", "timed out", "not viable", "survived"
CAMPAIGN = "campaign: "
NOTE = (
    "A mutant that MicroPython's compiler refuses is not viable and counts for nothing. One that hangs a test counts as "
    "noticed. Score: noticed / (viable - equivalent)."
)


@dataclass(frozen=True)
class Verdict:
    """What became of a mutant.

    Attributes:
        file: name in firmware/dashpot.
        line: of the change.
        name: where and what, without line numbers.
        outcome: one of the four words above.
        by: the test, or the campaign's row, that noticed; empty for survivors.
        reason: why no test can tell the mutant from the firmware; empty if nobody says so.

    """

    file: str
    line: int
    name: str
    outcome: str
    by: str
    reason: str

    @property
    def noticed(self) -> bool:
        """Whether a test or a row failed or never ended."""
        return self.outcome in (KILLED, TIMED_OUT)


@dataclass(frozen=True)
class Tally:
    """Counts over some verdicts."""

    mutants: int
    not_viable: int
    equivalent: int
    killed: int
    timed_out: int
    by_campaign: int
    survived: int

    @property
    def score(self) -> float:
        """Share of the viable and not equivalent mutants that were noticed, in percent; 100 where there are none."""
        told = self.killed + self.timed_out
        return 100 * told / (told + self.survived) if told + self.survived else 100.0


@dataclass(frozen=True)
class Run:
    """A whole run; `about` is what it was made on: hash, arguments, versions."""

    verdicts: Sequence[Verdict]
    unknown: Sequence[str]
    about: Mapping[str, Any]

    @property
    def survivors(self) -> list[Verdict]:
        """Viable mutants that nothing noticed and no reason explains."""
        return [v for v in self.verdicts if v.outcome == SURVIVED and not v.reason]

    @property
    def wrongly_named(self) -> list[Verdict]:
        """Mutants named equivalent that a test noticed, or that do not compile."""
        return [v for v in self.verdicts if v.outcome != SURVIVED and v.reason]

    @property
    def files(self) -> list[str]:
        """Names of the files, in the order of the run."""
        return list(dict.fromkeys(v.file for v in self.verdicts))


def tally(verdicts: Sequence[Verdict]) -> Tally:
    """Count; a mutant that is named equivalent and was noticed all the same counts as noticed."""
    outcomes = Counter(v.outcome for v in verdicts)
    equivalent = sum(v.outcome == SURVIVED and bool(v.reason) for v in verdicts)
    return Tally(
        mutants=len(verdicts),
        not_viable=outcomes[NOT_VIABLE],
        equivalent=equivalent,
        killed=outcomes[KILLED],
        timed_out=outcomes[TIMED_OUT],
        by_campaign=sum(v.by.startswith(CAMPAIGN) for v in verdicts),
        survived=outcomes[SURVIVED] - equivalent,
    )


def as_json(run: Run) -> dict[str, Any]:
    """Give the run as one document; the same run on the same tree gives the same."""
    return {
        "about": dict(run.about),
        "total": _counts(run.verdicts),
        "files": {name: _counts(_of(run, name)) for name in run.files},
        "survivors": [_entry(v) for v in run.survivors],
        "equivalent": [_entry(v) for v in run.verdicts if v.outcome == SURVIVED and v.reason],
        "wrongly_named_equivalent": [*(v.name for v in run.wrongly_named), *run.unknown],
        "mutants": [_entry(v) for v in run.verdicts],
    }


def as_markdown(run: Run) -> str:
    """Give the run as a page for people."""
    total = tally(run.verdicts)
    told = total.killed + total.timed_out
    lines = [
        "# Mutation run",
        "",
        f"{told} of {told + total.survived} small changes of the firmware were noticed: {total.score:.1f} %.",
        "",
        *(f"- {key}: {value}" for key, value in run.about.items()),
        "",
        NOTE,
        "",
        "| file | mutants | not viable | equivalent | killed | timed out | survived | score |",
        "|---|---:|---:|---:|---:|---:|---:|---:|",
        *(_row(f"`{name}`", tally(_of(run, name))) for name in run.files),
        _row("all", total),
        "",
    ]
    if total.by_campaign:
        lines += [f"{total.by_campaign} of the killed ones only by a row of the demo's fault campaign.", ""]
    lines += ["## Survivors", ""]
    lines += [f"- {_place(v)}" for v in run.survivors] or ["None."]
    lines += ["", "## Equivalent", ""]
    lines += [f"- {_place(v)}: {v.reason}" for v in run.verdicts if v.outcome == SURVIVED and v.reason] or [
        "None."
    ]
    wrong = [*(f"{_place(v)}: {v.outcome} by `{v.by}`" for v in run.wrongly_named)]
    wrong += [f"`{name}`: there is no such mutant" for name in run.unknown]
    if wrong:
        lines += ["", "## Named equivalent, and wrong", "", *(f"- {text}" for text in wrong)]
    lines += ["", "## Who noticed", "", "| test or row | mutants |", "|---|---:|"]
    killers = Counter(v.by.partition("[")[0] for v in run.verdicts if v.noticed)
    for name, count in sorted(killers.items(), key=lambda item: (-item[1], item[0])):
        lines.append(f"| `{name}` | {count} |")
    hung = [v for v in run.verdicts if v.outcome == TIMED_OUT]
    lines += ["", "## Timed out", "", *([f"- {_place(v)}: in `{v.by}`" for v in hung] or ["None."])]
    return "\n".join(lines) + "\n"


def _of(run: Run, name: str) -> list[Verdict]:
    return [v for v in run.verdicts if v.file == name]


def _counts(verdicts: Sequence[Verdict]) -> dict[str, Any]:
    made = tally(verdicts)
    return {
        "mutants": made.mutants, "not_viable": made.not_viable, "equivalent": made.equivalent, "killed": made.killed,
        "timed_out": made.timed_out, "by_campaign": made.by_campaign, "survived": made.survived,
        "score_percent": round(made.score, 2),
    }  # fmt: skip


def _entry(verdict: Verdict) -> dict[str, Any]:
    return {
        "file": verdict.file, "line": verdict.line, "change": verdict.name, "outcome": verdict.outcome,
        "by": verdict.by, "reason": verdict.reason,
    }  # fmt: skip


def _row(name: str, made: Tally) -> str:
    cells = [
        name, made.mutants, made.not_viable, made.equivalent, made.killed, made.timed_out, made.survived,
        f"{made.score:.1f} %",
    ]  # fmt: skip
    return "| " + " | ".join(map(str, cells)) + " |"


def _place(verdict: Verdict) -> str:
    change = verdict.name.partition(": ")[2]
    return f"firmware/dashpot/{verdict.file}:{verdict.line}: `{change}`"
