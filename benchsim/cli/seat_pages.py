"""What `benchsim seats` tells: one document per seat, made from the protocol files, the seats' classes and the plans.

How far a command or an activity goes is its depth:

    modelled   the simulated seat does it
    known      decoded and judged, no simulated seat does it
    link       known by its code alone: addressing, form and times are judged, its bytes are told as they are
"""

import sys
from types import CodeType, FunctionType, ModuleType

from benchsim.bench import DEVICES
from benchsim.checks.plans import PLANS
from benchsim.errors import UsageError
from benchsim.links import audit_text
from benchsim.machine_settings import TABLES
from benchsim.schema import AuditSpec, Book, DeviceSpec
from benchsim.schema.forms import Activity, Command
from benchsim.schema.states import States
from benchsim.schema.wording import layout_text, layouts
from benchsim.seats import audit_books, cold_keeper, event_queue, till
from benchsim.seats import board as board_module
from benchsim.seats.auditor import Auditor
from benchsim.seats.board import Board
from benchsim.seats.host import Host
from benchsim.seats.panel import Panel

DEPTHS = ("modelled", "known", "link")
OFF_BUS = {"host": (Host, ("kit", "panel")), "board": (Board, ("kit", "bus", "audit")), "panel": (Panel, ("panel",)),
           "auditor": (Auditor, ("audit",))}  # fmt: skip
_ALWAYS = ("RESET", "POLL")  # done by what all devices have in common


def seat_names(book: Book) -> list[str]:
    """Every seat, those without an address first, the others by address."""
    return [*OFF_BUS, *book.bus_seats]


def page(seat: str, book: Book) -> dict:
    """All that is known of a seat. UsageError for a seat that there is not."""
    if seat in OFF_BUS:
        return _off_bus_page(seat, book)
    address = book.address_of(seat)
    if address is None:
        raise UsageError(f"seats {seat}: no such seat, expected one of {', '.join(seat_names(book))}")
    device = book.device_at(address)
    return _nameless_page(seat, address, book) if device is None else _bus_page(seat, address, device)


def summary(document: dict) -> dict:
    """The row of a seat in the list of all."""
    rows = [*document["commands"], *document["activities"]]
    counts = {depth: sum(row["depth"] == depth for row in rows) for depth in DEPTHS}
    keys = ("seat", "title", "links", "address", "levels", "simulated", "plan", "not_modelled")
    return {key: document[key] for key in keys} | counts


# ---- one page


def _head(seat: str, title: str, links: tuple[str, ...], make: type | None) -> dict:
    return {
        "seat": seat,
        "title": title,
        "links": list(links),
        "address": None,
        "levels": [],
        "source": None,
        "confidence": None,
        "simulated": make is not None,
        "plan": seat in PLANS,
        "cases": [{"name": one.name, "provokes": one.provokes} for one in PLANS[seat].cases.values()] if seat in PLANS else [],
        "not_modelled": not_modelled(make) if make else None,
        "just_reset": None,
        "start": [],
        "limits": [],
        "commands": [],
        "activities": [],
        "states": None,
        "settings": _settings(make),
    }


def _bus_page(seat: str, address: int, device: DeviceSpec) -> dict:
    make = DEVICES.get(seat)
    told = told_by(make) if make else frozenset()
    return _head(seat, device.title, ("bus",), make) | {
        "address": f"{address:02X}",
        "levels": list(device.levels),
        "source": device.source,
        "confidence": device.confidence,
        "just_reset": None if device.just_reset is None else f"{device.just_reset:02X}",
        "start": list(device.start),
        "limits": _limits(device.limits),
        "commands": [_command(one, address, device, make) for one in device.commands.values()],
        "activities": [_activity(one, make, told) for one in device.activities.values()],
        "states": state_table(device.machine, device) if device.states else None,
    }


def _nameless_page(seat: str, address: int, book: Book) -> dict:
    return _head(seat, "Address without a protocol file", ("bus",), None) | {
        "address": f"{address:02X}",
        "source": book.bus.source,
        "confidence": "A",
    }


def _off_bus_page(seat: str, book: Book) -> dict:
    make, links = OFF_BUS[seat]
    spec = book.links[links[0]]
    if isinstance(spec, AuditSpec):
        return _audit_page(seat, make, spec)
    told = _texts_of(board_module, till, cold_keeper, event_queue)
    commands = [_kit_row(spec, op.name, op.code, "modelled", False, op.request, op.answer)
                for op in spec.operations.values()]  # fmt: skip
    events = [_kit_row(spec, one.name, one.code, "modelled" if one.name in told else "known", True, one.data)
              for one in spec.events.values()]  # fmt: skip
    if spec.report is not None:
        events.append(_kit_row(spec, "REPORT", None, "modelled", False, spec.report))
    return _head(seat, f"{seat.capitalize()}, on the {links[0]} link: {spec.title}", links, make) | {
        "source": spec.source,
        "confidence": "A",
        "limits": _limits(spec.limits),
        "commands": commands,
        "activities": events,
        "settings": _machine_settings() if seat == "board" else [],
    }


def _audit_page(seat: str, make: type, spec: AuditSpec) -> dict:
    """Operations of the handshakes; the segments of the text are known by the names of their elements."""
    head = _head(seat, f"{seat.capitalize()}, on the {spec.name} link: {spec.title}", (spec.name,), make)
    forms = [", ".join(f"{run.name} {run.size}" for run in runs) for runs in (spec.request, spec.response)]
    said = [[{"when": "characters", "fields": text}] for text in forms]
    operations = [
        _audit_row(spec, code, name.upper(), "modelled" if code == "R" else "known", said[0], said[1])
        for code, name in spec.operations.items()
    ]
    segments = [
        _audit_row(spec, name, title, "modelled" if name in made else "known", _elements(name))
        | {"confidence": audit_text.CONFIDENCE.get(name, "A")}
        for made in [told_by(audit_books.Writer) | _texts_of(audit_books, audit_text)]
        for name, title in audit_text.TITLES.items()
    ]
    return head | {"source": spec.source, "confidence": "A", "limits": _limits(spec.limits), "commands": operations,
                   "activities": segments}  # fmt: skip


def _audit_row(spec: AuditSpec, code: str, name: str, depth: str, fields: list[dict], answer: list[dict] = ()) -> dict:
    return {"level": None, "confidence": "A", "source": spec.source, "name": name, "code": code, "feature": None,
            "depth": depth, "fields": fields, "answer": list(answer), "event": False}  # fmt: skip


def _elements(name: str) -> list[dict]:
    named = audit_text.ELEMENTS.get(name)
    return [{"when": "", "fields": ", ".join(one or "name" for one in named)}] if named else []


def _kit_row(spec, name: str, code: int | None, depth: str, event: bool, fields, answer=None) -> dict:
    forms = [[] if layout is None else [{"when": "", "fields": layout_text(layout)}] for layout in (fields, answer)]
    return {"level": None, "confidence": "A", "source": spec.source, "name": name,
            "code": "" if code is None else f"{code:02X}", "feature": None, "depth": depth, "fields": forms[0],
            "answer": forms[1], "event": event}  # fmt: skip


def _forms(form) -> list[dict]:
    return [{"when": when, "fields": text} for when, text in layouts(form)]


def _limits(limits: dict) -> list[dict]:
    return [
        {"name": one.name, "limit": one.text, "says": one.says, "source": one.source, "confidence": one.confidence}
        for one in limits.values()
    ]


def _settings(make: type | None) -> list[dict]:
    table = getattr(make, "SETTING_CHECKS", {})
    return [
        {"name": name, "default": one.default, "expects": one.kind.says, "means": one.means}
        for name, one in table.items()
    ]


def _machine_settings() -> list[dict]:
    """Of the machine around the board, in the tables of [machine]."""
    return [
        {"name": f"{table}.{name}", "default": one.default, "expects": one.kind.says, "means": one.means}
        for table, rows in TABLES.items()
        for name, one in rows.items()
    ]


def _told(one: Command | Activity) -> dict:
    return {"level": one.level, "confidence": one.confidence, "source": one.source}


def _command(one: Command, address: int, device: DeviceSpec, make: type | None) -> dict:
    does = make is not None and one.name in (*_ALWAYS, *make.HANDLERS)
    sub = "" if one.sub is None else f" {one.sub:02X}"
    return _told(one) | {
        "name": one.name,
        "code": f"{address | one.code:02X}{sub}",
        "feature": one.feature,
        "depth": _depth(one, does),
        "fields": _forms(one.form),
        "answer": _forms(one.answer) if one.answer else [],
        "replies": list(one.replies),
        "activities": one.activity,
        "ack": one.may_ack or one.activity,
        "event": False,
    }


def _activity(one: Activity, make: type | None, told: frozenset[str]) -> dict:
    state = not one.event and one.code is not None and one.form.plain.most == 0  # any of them can be set as a trouble
    does = make is not None and (one.name in told or one.name == "JUST RESET" or state)
    code = one.form.plain.pattern if one.code is None else f"{one.code:02X}"
    return _told(one) | {
        "name": one.name,
        "code": code,
        "feature": None,
        "depth": _depth(one, does),
        "fields": _forms(one.form),
        "event": one.event,
    }


def _depth(one: Command | Activity, does: bool) -> str:
    return "link" if one.depth == "link" else "modelled" if does else "known"


def told_by(make: type) -> frozenset[str]:
    """Texts that stand in the code of a class: what it tells is named there."""
    found: set[str] = set()
    for kind in make.__mro__:
        for value in vars(kind).values():
            code = getattr(value.fget if isinstance(value, property) else value, "__code__", None)
            if code is not None:
                _gather(code, found)
    return frozenset(found)


def _texts_of(*modules: ModuleType) -> frozenset[str]:
    """The same of modules."""
    found: set[str] = set()
    for module in modules:
        for value in vars(module).values():
            if isinstance(value, FunctionType):
                _gather(value.__code__, found)
            elif isinstance(value, type) and value.__module__ == module.__name__:
                found |= told_by(value)
    return frozenset(found)


def _gather(what, found: set[str]) -> None:
    if isinstance(what, str):
        found.add(what)
    elif isinstance(what, (tuple, frozenset)):
        for one in what:
            _gather(one, found)
    elif isinstance(what, CodeType):
        _gather(what.co_consts, found)


def not_modelled(make: type) -> str | None:
    """What the module of a seat's class says that it leaves out."""
    text = sys.modules[make.__module__].__doc__ or ""
    _, found, rest = text.partition("Not modelled")
    return " ".join(rest.partition(":")[2].split()) if found else None


# ---- state tables


def state_table(machine: States, device: DeviceSpec) -> dict:
    """Every state by every message of which the table says something. A cell: "" in order, stays; a state to
    which it leads; None: not in order. `also`: features that make more of it legal.
    """
    columns = [(name, answer) for name, answer in machine.rows]
    cells = {
        state: [_cell(machine, state, name, answer) for name, answer in columns] for state in machine.all
    }
    return {
        "codes": {state: machine.code(state) for state in machine.all},
        "columns": [_column(machine, name, answer) for name, answer in columns],
        "cells": cells,
        "set_up": sorted(machine.set_up),
    }


def _column(machine: States, name: str, answer: bool) -> dict:
    row = machine.row(name, answer)
    also = None if row.feature is None else {"feature": row.feature, "states": sorted(row.more, key=machine.all.index)}
    return {"name": name, "told": answer, "confidence": row.confidence, "lasts": row.lasts, "also": also}


def _cell(machine: States, state: str, name: str, answer: bool) -> str | None:
    if not machine.legal(state, name, 0, answer):
        return None
    after = machine.row(name, answer).after(state)
    return "" if after == state else after
