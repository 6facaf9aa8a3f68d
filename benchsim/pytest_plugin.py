"""The pytest plugin: fixtures with a bench, a marker, and for a failed test what was said and which rule was broken.

    bench           a bench in virtual time (`benchsim.testing.VirtualBench`)
    pty_bench       a bench in real time on pseudo-terminals (`benchsim.testing.PtyBench`)
    bench_program   starts a program under test on the `pty_bench`

A coroutine test that asks for a bench runs in that bench's time, whatever other plugin would run coroutines too.
When a test's own code has passed, every rule is asked as well, and one that is broken fails the test.

Loaded in every pytest run of an environment: so nothing of the bench is imported before a test asks for one.
"""

import inspect
import re
from pathlib import Path
from shlex import quote

import pytest

BENCHES = ("bench", "pty_bench")
MARK = "benchsim"
_OWN = pytest.StashKey[list]()  # the benches that a test has
_BODY = pytest.StashKey[object]()  # a coroutine test as it was written
_UNSURE = "benchsim unsure"  # property of a test: how many verdicts are


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("benchsim", "benches for vending machine links")
    group.addoption("--benchsim-seed", type=int, metavar="N", help="seed of every bench, over marker and bench file")
    group.addoption("--benchsim-save", metavar="DIR", help="keep the captures of failed tests here, and not in pytest's own place")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line(
        "markers",
        "benchsim(bench=None, seats=(), faults=(), seed=None, judge=True, within=3600, leap=False): the bench of a test: its file "
        "(beside the test's own), the seats that the test takes itself, what goes wrong and when, its seed, whether "
        "rules are asked in the end, bench seconds after which a scenario is ended, whether quiet time is leapt over.",
    )


@pytest.fixture
def bench(request):
    """A bench in virtual time, every seat simulated but those that the marker names."""
    from benchsim.testing import VirtualBench

    asked = _asked(request)
    yield from _handed_out(request, lambda: VirtualBench(**asked))


@pytest.fixture
def pty_bench(request):
    """A bench in real time; the seats that the marker names (else the host) are reached through `pty_bench.paths`."""
    from benchsim.testing import PtyBench

    asked = _asked(request)
    for name in ("within", "leap"):
        asked.pop(name, None)
    yield from _handed_out(request, lambda: PtyBench(**asked))


@pytest.fixture
def bench_program(pty_bench):
    """`bench_program("./my-host {kit} {panel}")` starts a program under test; it is ended with the test."""
    return pty_bench.start


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    # Before any other plugin puts something that runs the coroutine elsewhere in its place.
    if inspect.iscoroutinefunction(getattr(item, "obj", None)) and set(BENCHES) & set(item.fixturenames):
        item.stash[_BODY] = item.obj


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    __tracebackhide__ = True
    body, given = pyfuncitem.stash.get(_BODY, None), pyfuncitem.funcargs
    if body is None:
        return None
    arguments = {name: given[name] for name in pyfuncitem._fixtureinfo.argnames}
    where = next(given[name] for name in BENCHES if name in given)
    where.run(lambda _: body(**arguments))
    return True


@pytest.hookimpl(wrapper=True, tryfirst=True, specname="pytest_pyfunc_call")
def pytest_pyfunc_call_and_judge(pyfuncitem: pytest.Function):
    done = yield
    wrong = []
    for own in pyfuncitem.stash.get(_OWN, ()):
        if own.judged:
            wrong += own.broken()
            unsure = sum(verdict.outcome == "unsure" for verdict in own.verdicts())
            if unsure:
                pyfuncitem.user_properties.append((_UNSURE, unsure))
    if wrong:
        from benchsim.testing.findings import one_line

        pytest.fail("\n".join(map(one_line, wrong)), pytrace=False)
    return done


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo):
    report = yield
    if call.when == "call" and report.failed:
        played = [own for own in item.stash.get(_OWN, ()) if own.on]
        for number, own in enumerate(played, 1):
            report.sections.append(("benchsim", _section(item, own, f"-{number}" if len(played) > 1 else "")))
    return report


def pytest_terminal_summary(terminalreporter) -> None:
    found = [
        (report.nodeid, count)
        for report in terminalreporter.getreports("passed")
        for name, count in report.user_properties
        if name == _UNSURE and report.when == "call"
    ]
    if found:
        terminalreporter.section("benchsim")
        for nodeid, count in found:
            terminalreporter.write_line(f"{nodeid}: {count} unsure, within the doubt of the measurement")


def _asked(request: pytest.FixtureRequest) -> dict:
    """What the markers say, the nearest over the others, and the options over all of them."""
    asked: dict = {"name": request.node.name}
    for marker in reversed(list(request.node.iter_markers(MARK))):
        if marker.args:
            pytest.fail("benchsim marker: expected names, such as benchsim(seats=('host',))", pytrace=False)
        asked |= marker.kwargs
    known = ("bench", "seats", "faults", "seed", "judge", "within", "leap", "name")
    for name in asked:
        if name not in known:
            pytest.fail(f"benchsim marker: no {name}, expected {', '.join(known[:-1])}", pytrace=False)
    if asked.get("bench"):
        asked["bench"] = request.path.parent / asked["bench"]
    for name in ("seats", "faults"):
        if isinstance(asked.get(name), str):
            asked[name] = (asked[name],)
    seed = request.config.getoption("--benchsim-seed")
    return asked if seed is None else asked | {"seed": seed}


def _handed_out(request: pytest.FixtureRequest, make):
    """The bench for one test, closed whatever becomes of it."""
    from benchsim.errors import UsageError

    own = wrong = None
    try:
        own = make()
    except UsageError as error:
        wrong = error
    if wrong:
        pytest.fail(f"benchsim: {wrong}", pytrace=False)
    request.node.stash.setdefault(_OWN, []).append(own)
    try:
        yield own
    finally:
        own.close()


def _section(item: pytest.Item, own, which: str) -> str:
    """For people: what the bench has seen. `which`: of several, for the name of its capture."""
    from benchsim.testing.findings import report, save

    own.close()
    name = re.sub(r"[^A-Za-z0-9._-]+", "-", item.nodeid).strip("-")[-150:]
    replay = f"python -m pytest {quote(item.nodeid)} --benchsim-seed {own.seed}"
    try:
        folder = item.config.getoption("--benchsim-save")
        place = Path(folder) if folder else item.config._tmp_path_factory.getbasetemp() / "benchsim"
        capture = save(own, place / f"{name}{which}.pcapng") if own.kept else None
    except Exception as error:  # a report that cannot be kept is no reason to lose the other half of it
        return f"{report(own, replay, None)}\nthe capture could not be kept: {error}"
    return report(own, replay, capture)
