"""`benchsim serve`: the bench in a browser."""

import errno
import secrets
import socket
from pathlib import Path
from typing import Annotated

import typer

from benchsim.cli.drill import BOOK
from benchsim.drills.book import opened
from benchsim.errors import UsageError
from benchsim.reports.cautions import COILS
from benchsim.settings import load_settings
from benchsim.sweeps.dictionary import load_dictionary, shipped


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("serve")(serve)


def serve(
    bench: Annotated[Path | None, typer.Argument(metavar="BENCH.toml", help="Bench file (default: the demo bench).")] = None,
    host: Annotated[str, typer.Option("--host", metavar="ADDRESS", help="Address to listen at. Any but this computer's own needs the token that is printed.")] = "127.0.0.1",
    at: Annotated[int, typer.Option("--at", metavar="PORT", min=1, max=65535, help="TCP port.")] = 8517,
    port: Annotated[list[str] | None, typer.Option("--port", metavar="LINK[:SEAT]=WHERE", help="A real thing sits there (may be repeated), as `benchsim run` has it. The bench goes in real time then.")] = None,
    real: Annotated[list[str] | None, typer.Option("--real", metavar="SEAT", help="This seat is real, on every --port or {link} that names no seat itself.")] = None,
    exec_: Annotated[list[str] | None, typer.Option("--exec", metavar='"CMD {kit} {bus}"', help="Start this program once, with the bench; {link} or {link:seat} becomes its port's path.")] = None,
    save: Annotated[Path | None, typer.Option("--save", metavar="FILE", help="Record everything: .pcapng, .csv or .vcd.")] = None,
    record: Annotated[Path | None, typer.Option("--record", metavar="FOLDER", help="Where the page's own key records to.")] = None,
    book: Annotated[Path, typer.Option("--book", metavar="FILE", help="Where results of drills are kept.")] = Path(BOOK),
    dictionary: Annotated[Path | None, typer.Option("--dictionary", metavar="FILE", help="For drills: a dictionary of a sweep of your own.")] = None,
    seed: Annotated[int | None, typer.Option("--seed", metavar="N", help="Seed of everything that happens by chance.")] = None,
) -> int:  # fmt: skip
    """Show the bench in a browser: the machine to act on, its links, its verdicts.

    Every seat is simulated, in virtual time: pause it, step it, make it slow or fast, look back. With real seats it
    goes in real time, in a process of its own, and the page looks on. Ctrl-C ends it.

    Examples:
      benchsim serve
      benchsim serve workshop.toml --at 9000 --save session.pcapng
      benchsim serve --exec "python3 fixtures/sample_host/host.py {kit} {panel}" --record captures
    """
    try:
        from benchsim.web import guard, serve as server
        from benchsim.web.mirror import Mirror
        from benchsim.web.real_bench import Words
        from benchsim.web.stand import Stand
    except ModuleNotFoundError as missing:
        raise UsageError(f"serve: {missing.name} is not installed, expected `pip install 'benchsim[web]'`") from None
    settings = load_settings(bench)
    if dictionary:
        load_dictionary(dictionary)
    if book.exists():
        with opened(book):
            pass  # it is a book
    _free(host, at)
    local = host in guard.LOOPBACK
    token = "" if local else secrets.token_urlsafe(24)
    names = list(guard.LOOPBACK) if local else [host]
    if record:
        _folder(record)
    if port or real or exec_:
        words = Words(bench, tuple(port or ()), tuple(real or ()), tuple(exec_ or ()), seed, save)
        stand = Mirror(settings, settings.book(), words, record)
        if "board" in stand.real:
            print(" ".join(COILS))
    else:
        stand = Stand(settings, settings.book(), settings.seed if seed is None else seed, save, folder=record)
    try:
        app = server.make_app(stand, [guard.authority(name, at) for name in names], token, dictionary or shipped(), book)
        shown = guard.authority(host, at)
        print(f"benchsim: http://{shown}/{'?token=' + token if token else ''}   (Ctrl-C ends it)", flush=True)
        server.serve(app, host, at)
    finally:
        stand.close()
    return 0


def _folder(path: Path) -> None:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"--record {path}: {(error.strerror or 'cannot be made').lower()}") from None


def _free(host: str, at: int) -> None:
    """Can it be listened at? UsageError says why not."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, at))
        except OSError as error:
            if error.errno == errno.EADDRINUSE:
                raise UsageError(f"--at {at}: this port is in use, expected a free one") from None
            raise UsageError(f"--host {host}: {(error.strerror or 'no such address').lower()}") from None
