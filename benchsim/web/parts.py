"""The parts of the page. Each is built once for a page and then shows pictures; only what changed is sent.

A part never touches the bench: it shows what the picture says, and asks for acts by name.
"""

from collections.abc import Callable, Sequence
from itertools import zip_longest

from nicegui import ui

from benchsim.seats.screen import money
from benchsim.web.hands import selection

Act = Callable[..., None]
SEATS = {"on": "●", "off": "○", "no supply": "○"}  # other words: a triangle, something is to be read
_LIGHTS = {True: "●", False: "○", None: ""}
OUTCOMES = {"fail": "✕ broken", "unsure": "? unsure", "warn": "! warning"}


def tag(name: str, classes: str = "", text: str = "", **attributes):
    """A plain element of the page."""
    element = ui.element(name).classes(classes)
    for key, value in attributes.items():
        element.props[key.replace("_", "-")] = value
    if text:
        with element:
            ui.html(text, sanitize=_plain, tag="span")
    return element


def _plain(text: str) -> str:
    """Text as text: what comes from a bench file or a device is never markup."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


class Words:
    """A piece of text that may change."""

    def __init__(self, name: str = "span", classes: str = "", **attributes):
        self.element = tag(name, classes, **attributes)
        with self.element:
            self._html = ui.html("", sanitize=_plain, tag="span")
        self._text, self._look = "", classes

    def look(self, classes: str) -> None:
        """Other classes, if they are."""
        if classes != self._look:
            self._look = classes
            self.element.classes(replace=classes)

    def set(self, text: str) -> None:
        """Show it, if it is new."""
        if text != self._text:
            self._text = text
            self._html.set_content(_plain(text))


class Key:
    """A button with words on it."""

    def __init__(self, text: str, press: Callable[[], None], classes: str = "key", **attributes):
        self.element = tag("button", classes, type="button", **attributes).on("click", lambda: press())
        with self.element:
            self._html = ui.html(text, sanitize=_plain, tag="span")
        self._state: tuple = ()

    def set(self, text: str | None = None, pressed: bool | None = None, disabled: bool = False) -> None:
        """How it stands now."""
        if (text, pressed, disabled) == self._state:
            return
        self._state = text, pressed, disabled
        if text is not None:
            self._html.set_content(_plain(text))
        props = self.element.props
        if pressed is not None:
            props["aria-pressed"] = "true" if pressed else "false"
        props["disabled"] = disabled
        self.element.update()


class Glass:
    """The touchscreen as the host draws it: a message, the credit, the grid of selections or the service page."""

    def __init__(self, rows: int, columns: int, act: Act):
        self._shown: tuple = ()
        self.glass = tag("div", "glass")
        with self.glass:
            self.message = Words("div", "message", role="status", aria_live="polite")
            self.credit = Words("div", "credit")
            cells = tag("div", "cells", role="group", aria_label="selections")
            cells.style(f"grid-template-columns: repeat({columns}, minmax(0, 1fr))")
            self.cells: list[Words] = []
            with cells:
                for row in range(rows):
                    for column in range(columns):
                        self._cell(row, column, act)
            self.service = Table(("what", "told"), "service page")

    def _cell(self, row: int, column: int, act: Act) -> None:
        name = selection(row, column)
        button = tag("button", "", type="button", aria_label=f"selection {name}")
        button.on("click", lambda: act("tap", row, column))
        with button:
            ui.html(name, sanitize=_plain, tag="b")
            self.cells.append(Words())

    def show(self, picture: dict) -> None:
        """What the customer reads."""
        self.message.set(picture["message"] or "screen off")
        needed = "" if picture["needed"] is None else f"   price {money(picture['needed'])}"
        self.credit.set(f"credit {_credit(picture['credit'])}{needed}" if picture["screen_on"] else "")
        prices = picture["prices"]
        for number, cell in enumerate(self.cells):
            cell.set(_price(prices[number]) if number < len(prices) else "–")
        self.service.set(picture["service"])
        look = "glass off" if not picture["screen_on"] else "glass service" if picture["service"] else "glass"
        if look != self._shown:
            self._shown = look
            self.glass.classes(replace=look)


def _credit(minor: int | None) -> str:
    return "unknown" if minor is None else money(minor)


def _price(price: int) -> str:
    return "not sold" if price == 0xFFFF else "free" if price == 0 else money(price)


class Hands:
    """Slots, lever, door: what a person reaches at the machine."""

    def __init__(self, coins: Sequence, bills: Sequence, act: Act):
        self._door_open = False
        self.names: dict[str, tuple[str, Words]] = {}  # of devices: a light is beside them
        with tag("div", "row named", role="group", aria_label="coins"):
            self._name("changer", "coins")
            for coin, value in coins:
                Key(money(value), lambda coin=coin: act("coin", coin), aria_label=f"put in a coin of {money(value)}")
        with tag("div", "row named", role="group", aria_label="bills"):
            self._name("validator", "bills")
            for bill, value in bills:
                Key(money(value), lambda bill=bill: act("bill", bill), aria_label=f"put in a bill of {money(value)}")
        with tag("div", "row named", role="group", aria_label="card"):
            self._name("cashless1", "card")
            Key("hold up 10.00", lambda: act("card", 1000))
            Key("hold up 1.00", lambda: act("card", 100))
            self.away = Key("take away", lambda: act("card away"))
        with tag("div", "row named", role="group", aria_label="machine"):
            Words("span", "name").set("machine")
            Key("return lever", lambda: act("lever"))
            self.door = Key("open the door", lambda: act("door", int(not self._door_open)))
            self.service = Key("service button", lambda: act("service"))
            Key("audit read", lambda: act("audit"))
        with tag("div", "row named", role="group", aria_label="tray"):
            Words("span", "name").set("tray")
            self.tray = Words("span", "mono", role="status")
            self.take = Key("take", lambda: act("take"))

    def _name(self, seat: str, text: str) -> None:
        self.names[seat] = text, Words("span", "name", title="the device's light: ● lit, ○ dark")

    def show(self, picture: dict) -> None:
        """How they stand."""
        for seat, (text, name) in self.names.items():
            name.set(f"{text} {_LIGHTS[picture['lights'].get(seat)]}")
        self._door_open = picture["door"]
        self.door.set("close the door" if picture["door"] else "open the door", pressed=picture["door"])
        self.away.set("take away", disabled=not picture["card"])
        tray = picture["tray"]
        self.tray.set(f"products {tray['products']}, coins {money(tray['coins'])}")
        self.take.set("take", disabled=not any(tray.values()))


class Coils:
    """The matrix: which coils turn, are empty, missing or held."""

    def __init__(self, rows: int, columns: int):
        grid = tag("div", "coils", role="img", aria_label="coil matrix")
        grid.style(f"grid-template-columns: repeat({columns}, minmax(0, 1fr))")
        self.coils: dict[tuple[int, int], tuple] = {}
        with grid:
            for row in range(rows):
                for column in range(columns):
                    coil = tag("div", "coil")
                    with coil:
                        mark = Words()
                    self.coils[row, column] = [coil, mark, ""]
        self.words = Words("p", "soft")

    def show(self, picture: dict) -> None:
        """Marks beside the colours: a cross is missing, a bar is held, a ring is empty."""
        sets = {name: {tuple(where) for where in picture[name]} for name in ("turning", "missing", "jammed", "empty")}
        for where, one in self.coils.items():
            kinds = [name for name, members in sets.items() if where in members]
            marks = {"missing": "×", "jammed": "▮", "empty": "○", "turning": "↻"}
            look = " ".join(["coil", *kinds])
            if look != one[2]:
                one[2] = look
                one[0].classes(replace=look)
                one[1].set(marks[kinds[0]] if kinds else selection(*where))
        turning = ", ".join(selection(*where) for where in sorted(sets["turning"]))
        air = "" if picture["air"] is None else f"; air in the compartment {picture['air']:.1f} °C"
        rest = "all coils rest" if picture["coils_seen"] else "the board is real: nobody here sees its coils"
        self.words.set((f"turning: {turning}" if turning else rest) + air)


class Faults:
    """Fault cards by group, each a switch."""

    def __init__(self, cards: Sequence, switch: Callable[[str], None]):
        self.keys: dict[str, Key] = {}
        self._summary = Words("p", "", role="status")
        groups: dict[str, list] = {}
        for card in cards:
            groups.setdefault(card.group, []).append(card)
        for group, members in groups.items():
            with tag("details"):
                tag("summary", "", f"{group} ({len(members)})")
                with tag("div", "row"):
                    for card in members:
                        self.keys[card.id] = Key(card.title, lambda card=card: switch(card.id), aria_pressed="false")
        self._titles = {card.id: card.title for card in cards}

    def show(self, picture: dict) -> None:
        """Which are on."""
        on = picture["faults"]
        for name, key in self.keys.items():
            key.set(pressed=name in on)
        self._summary.set("on: " + "; ".join(self._titles[name] for name in on) if on else "none is on")


class Table:
    """Rows of plain text under a head. It is one element for the browser: one that came and went with each row would
    be remembered there for ever.
    """

    def __init__(self, heads: Sequence[str], label: str):
        self._head = "<thead><tr>" + "".join(f'<th scope="col">{head}</th>' for head in heads) + "</tr></thead>"
        self._rows: tuple = ((), ())
        self._html = ui.html(self._head, sanitize=False, tag="table").classes("plain empty")
        self._html.props["aria-label"] = label

    def set(self, rows: Sequence[tuple[str, ...]], marks: Sequence[str] = ()) -> None:
        """All rows; `marks` are their classes."""
        now = (tuple(rows), tuple(marks))
        if now == self._rows:
            return
        if bool(rows) != bool(self._rows[0]):
            self._html.classes(replace="plain" if rows else "plain empty")
        self._rows = now
        body = "".join(
            f'<tr class="{mark}">' + "".join(f"<td>{_plain(cell)}</td>" for cell in row) + "</tr>"
            for row, mark in zip_longest(rows, marks, fillvalue="")
        )
        self._html.set_content(f"{self._head}<tbody>{body}</tbody>")


class Lines:
    """What happened, newest first."""

    def __init__(self, label: str):
        self._shown: tuple = ()
        self._html = ui.html("", sanitize=False, tag="ol").classes("lines")
        self._html.props["aria-label"], self._html.props["tabindex"] = label, 0

    def set(self, lines: Sequence[tuple[float, str]]) -> None:
        """Seconds and words."""
        now = tuple(lines)
        if now != self._shown:
            self._shown = now
            told = "".join(f"<li><time>{time_s:.3f}</time><span>{_plain(line)}</span></li>" for time_s, line in now)
            self._html.set_content(told)


def seat_rows(seats: dict[str, str]) -> list[tuple[str, str, str]]:
    """Mark, seat and state."""
    return [(_mark(state), seat, state) for seat, state in seats.items()]


def _mark(state: str) -> str:
    first = state.split(",")[0]
    return "▲" if "," in state and first == "on" else SEATS.get(first, "●")
