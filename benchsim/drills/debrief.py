"""After a drill: what was, what each step told, where the best path went another way."""

from benchsim.drills.drill import HURT, WASTED, Drill, Score, Told
from benchsim.faults import load_cards


def debrief(drill: Drill, score: Score) -> list[str]:
    """What was, what each step told, where the best path went another way, and how to see the cause again."""
    known = load_cards()
    lines = ["", f"{score.points} points. {_verdict(drill, score)}"]
    for name in drill.hidden:
        lines += [f"  It was {name}: {known[name].title}", f"    cause    {known[name].cause}", f"    confirm  {known[name].confirm}", f"    mend     {known[name].mend}"]
    lines += ["", "  What each step told:"]
    lines += [_step(told) for told in drill.told]
    best = drill.best_path()
    lines += ["", f"  The best path took {score.best_minutes:g} min (yours {score.minutes:g}):"]
    lines += [_step(told) for told in best]
    if left := drill.left_best():
        lines.append(f"  Yours left it at step {left[0] + 1}: {left[1].kind} {left[1].what} would have told most a minute.")
    lines += [f"  Changed in vain: {part} (-{WASTED})" for part in score.wasted]
    lines += [f"  Would have hurt: {what} (-{HURT})" for what in score.hurts]
    faults = " ".join(f"--fault {name}" for name in drill.hidden)
    return [*lines, "", f"  See it again: benchsim run --virtual --visit {faults} --save visit.pcapng; benchsim decode visit.pcapng"]


def _verdict(drill: Drill, score: Score) -> str:
    hit = len(set(drill.named) & set(drill.hidden))
    if score.right:
        return "Right." if hit == 1 else "Both right."
    if hit:
        return f"{hit} of {len(drill.hidden)}."
    if score.alike:
        return "Not it, but looks do not tell it from what it was."
    return "Not it." if drill.named else "Out of time."


def _step(told: Told) -> str:
    cured = f", which cured {' and '.join(told.cured)}" if told.cured and told.step.kind != "name" else ""
    return f"    {told.minutes:4g} min  {told.bits:4.1f} bits  {told.step.kind} {told.step.what}{cured}"
