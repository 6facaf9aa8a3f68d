"""`benchsim check`: play the plan for a seat, judge it, report."""

import shlex
import sys
from functools import partial
from itertools import count, groupby
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from benchsim.checks import plans
from benchsim.checks.capture import write_capture
from benchsim.checks.handover_sheet import sheet
from benchsim.checks.real_plan import RealPlan
from benchsim.checks.result import CaseResult, case_note, make_record
from benchsim.checks.runner import play_plan
from benchsim.checks.selftest import run_selftest
from benchsim.cli.feeding import Mqtt, feeding
from benchsim.cli.held import Allow, Golden, Held, JUnit, Today, Waivers, WriteGolden, held
from benchsim.cli.places import make_folder
from benchsim.cli.progress import Bar, person
from benchsim.errors import UsageError
from benchsim.faults import refuse_real
from benchsim.ports import default_where, split_command
from benchsim.ports.power import PowerSwitch
from benchsim.reports import write_json
from benchsim.reports.about import parse_about
from benchsim.reports.folder import write_out
from benchsim.reports.terminal import case_line, left_out_line, plan_line, print_report
from benchsim.schema import KIT
from benchsim.settings import Settings, load_settings


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("check")(check)


def check(
    bench: Annotated[Path | None, typer.Argument(metavar="BENCH.toml", help="Bench file (default: the demo bench).")] = None,
    test: Annotated[str | None, typer.Option("--test", metavar="SEAT", help="Seat under test, e.g. host.")] = None,
    exec_: Annotated[str | None, typer.Option("--exec", metavar='"CMD {kit} {panel}"', help="Program under test; {link} becomes a serial port's path.")] = None,
    port: Annotated[list[str] | None, typer.Option("--port", metavar="LINK=WHERE", help="A real subject sits there, e.g. bus=parity:/dev/ttyUSB0 (may be repeated).")] = None,
    case: Annotated[list[str] | None, typer.Option("--case", metavar="NAME", help="Only this case (may be repeated).")] = None,
    seed: Annotated[int | None, typer.Option(metavar="N", help="Seed of everything that happens by chance.")] = None,
    fault: Annotated[list[str] | None, typer.Option("--fault", metavar="CARD[@SECONDS][+FOR]", help="Something is wrong in every case (may be repeated; `benchsim faults`). No self-test then.")] = None,
    out: Annotated[Path | None, typer.Option(metavar="DIR", help="Write report.html, verdicts.json, junit.xml, capture.pcapng here.")] = None,
    about: Annotated[list[str] | None, typer.Option("--about", metavar="KEY=TEXT", help="What is tested, by whom, where (may be repeated); image=@FILE tells its hash.")] = None,
    seeds: Annotated[int | None, typer.Option(metavar="N", min=1, help="Self-test with so many seeds (default: 1).")] = None,
    hands: Annotated[bool, typer.Option("--hands", metavar="", help="A person stands by and acts when asked (coin, bill, card).")] = False,
    junit: JUnit = None,
    waivers: Waivers = None,
    today: Today = None,
    allow: Allow = None,
    golden: Golden = None,
    write_golden: WriteGolden = None,
    power: Annotated[str | None, typer.Option("--power", metavar='"CMD {state}"', help="Switches the subject's supply: {state} becomes on or off. A real subject is not restarted otherwise.")] = None,
    json: Annotated[bool, typer.Option("--json", metavar="", help="The verdicts as JSON on stdout, nothing else there.")] = False,
    mqtt: Mqtt = None,
    show_all: Annotated[bool, typer.Option("--all", metavar="", help="Also list what nothing put to the test.")] = False,
) -> int:  # fmt: skip
    """Check a seat: play its plan of cases, judge what happens, show the evidence.

    With --case commissioning: all that is done before a converted machine is handed over, and the sheet to be signed
    (--out DIR: handover.html).

    With nothing else: the demo bench, every seat simulated, in virtual time, and a self-test of the plans.

    Examples:
      benchsim check
      benchsim check --test host --exec "python3 fixtures/sample_host/host.py {kit} {panel}" --out out
      benchsim check --test changer --port bus=pair:/dev/ttyACM0 --hands
      benchsim check BENCH.toml --case commissioning --out out
      benchsim check --test host --port kit=serial:/dev/ttyUSB0 --power "relay.sh 1 {state}"
    """
    settings, said = load_settings(bench), parse_about(about)
    book = settings.book()
    seed = settings.seed if seed is None else seed
    settings = settings.with_faults(fault or ())
    if exec_ is not None and not exec_.strip():
        raise UsageError("--exec: expected a command, not an empty one")
    if (exec_ or port) and not test:
        raise UsageError(f"{'--exec' if exec_ else '--port'}: expected --test SEAT with it, to say which seat is real")
    if power is not None and not (exec_ or port):
        raise UsageError("--power: expected --port or --exec with it, for a real subject")
    if hands and not (exec_ or port):
        raise UsageError("--hands: expected --port or --exec with it, for a real subject")
    everything = test is None and not case
    if seeds is not None and (not everything or settings.faults):
        raise UsageError(f"--seeds {seeds}: expected no --test, --case or fault with it: the self-test is of all plans, on a sound bench")
    switch = PowerSwitch(power) if power is not None else None
    cases = plans.pick(plans.plan_for(test, case), case)
    words, where = _reach(book, test, exec_, port)
    make_folder(out)
    expected = held(book, junit, waivers, today, allow, golden, write_golden)
    console = Console(stderr=json, highlight=False)
    if exec_ or port:
        refuse_real(settings.faults, [test])
    with feeding(mqtt, "check", settings, seed, test) as telling:
        if exec_ or port:
            asks = person(console) if hands else None
            runner = RealPlan(settings, book, seed, plans.PLANS[test], where, words, asks, bench, switch)
            results, interrupted = _play_real(console, runner, cases, expected, telling)
        else:
            results, interrupted = _play_simulated(console, settings, cases, seed, everything and not show_all, expected, telling)
        selftest = legal = None
        # plans are tried on a sound bench, and the wrong variants speak the reference link
        if everything and not interrupted and not settings.faults and settings.kit == KIT:
            with Bar(console, None, "self-test") as bar:
                selftest, legal = run_selftest(settings, seed, seeds or 1, told=partial(_told, bar, telling))
        if everything and settings.kit != KIT:
            said |= {"self-test": "left out: the wrong variants speak the reference link"}
        said |= settings.said | ({"command under test": exec_} if exec_ else {}) | ({"ports": ", ".join(port)} if port else {})
        replay = _replay(bench, test, exec_, port, fault, power, seed)
        record = make_record(results, test, seed, selftest, replay, settings.text, said, legal, **expected.rows(results))
        telling.ended(record.document["outcome"], interrupted)
        record.handover = sheet(results)
        if out:
            record.captures = ["capture.pcapng"]
            write_out(record, out)
            write_capture(out / record.captures[0], results)
        expected.write(record)
        if json:
            write_json(record, sys.stdout)
        print_report(console, record, show_all=show_all, report=str(out / "report.html") if out else "")
    return 130 if interrupted else expected.status(record.document)


def _reach(book, test: str | None, command: str | None, ports: list[str] | None) -> tuple[list[str] | None, dict[str, str]]:
    """The words of the command under test, and where the subject is reached: {link: WHERE}."""
    if not command and not ports:
        return None, {}
    links = plans.PLANS[test].links
    words = split_command(command, set(links)) if command else None
    where = {link: default_where(book.links[link].word) for link in links if any("{%s}" % link in w for w in words or ())}
    for given in ports or ():
        link, _, place = given.partition("=")
        if link not in links or not place:
            raise UsageError(f"--port {given}: expected LINK=WHERE with a link of the {test}: {', '.join(links)}")
        where[link] = place
    return words, where


def _play_real(console: Console, runner: RealPlan, cases: list[plans.Played], expected: Held, telling) -> tuple[list[CaseResult], bool]:
    with Bar(console, len(cases)) as bar:
        done = count(1)
        results, interrupted = runner.run(cases, lambda case: _told(bar, telling, next(done), len(cases), case.name))
    for result in results:
        expected.excuse(result)
        telling.case(result)
    telling.step(len(results), len(cases), "cases")
    left_out: dict[str, list[str]] = {}
    for result in results:
        if result.left_out:
            left_out.setdefault(result.left_out, []).append(result.name)
        else:
            _case_line(console, result)
    for why, names in left_out.items():
        left_out_line(console, why, names)
    return results, interrupted


def _play_simulated(console: Console, settings: Settings, cases: list[plans.Played], seed: int,
                    brief: bool, expected: Held, telling) -> tuple[list[CaseResult], bool]:  # fmt: skip
    """A line for each case; `brief`: one for each seat, and for those cases that not all rules held in."""
    results: list[CaseResult] = []
    with Bar(console, len(cases)) as bar:
        try:
            for seat, ours in groupby(zip(cases, play_plan(settings, cases, seed), strict=True), lambda pair: pair[0][0].seat):
                before = len(results)
                for _, result in ours:
                    expected.excuse(result)
                    results.append(result)
                    if not brief or result.notes or any(v.outcome in ("fail", "warn", "unsure") for v in result.verdicts):
                        _case_line(console, result)
                    telling.case(result)
                    _told(bar, telling, len(results), len(cases), result.name)
                if brief:
                    _seat_line(console, seat or "all seats", results[before:])
        except KeyboardInterrupt:
            return results, True
    return results, False


def _told(bar, telling, done: int, total: int, at: str = "") -> None:
    bar(done, total)
    telling.step(done, total, "cases" if at else "variants", at)


def _seat_line(console: Console, seat: str, results: list[CaseResult]) -> None:
    verdicts = [v.as_json() for result in results for v in result.verdicts]
    plan_line(console, seat, [case_note(result, "") for result in results], verdicts)


def _case_line(console: Console, result: CaseResult) -> None:
    case_line(console, case_note(result, ""), [v.as_json() for v in result.verdicts])


def _replay(bench: Path | None, test: str | None, command: str | None, ports: list[str] | None,
            faults: list[str] | None, power: str | None, seed: int) -> str:  # fmt: skip
    parts = ["benchsim", "check"] + ([str(bench)] if bench else [])
    parts += (["--test", test] if test else []) + (["--exec", command] if command else [])
    parts += [word for port in ports or () for word in ("--port", port)]
    parts += [word for fault in faults or () for word in ("--fault", fault)]
    parts += ["--power", power] if power else []
    return " ".join(shlex.quote(part) for part in [*parts, "--seed", str(seed)])
