"""Inline SVG written by hand: elements as text, every text escaped, every number short.

Colours come from the page's style sheet by class, so that light, dark and print need no second drawing.
"""

from xml.sax.saxutils import escape, quoteattr

from benchsim.reports.words import printable


def element(name: str, content: str = "", **attributes: object) -> str:
    """One element. `content` is markup already; underscores in names become dashes, `class_` is `class`."""
    told = "".join(
        f" {key.rstrip('_').replace('_', '-')}={_value(value)}" for key, value in attributes.items()
    )
    return f"<{name}{told}>{content}</{name}>" if content else f"<{name}{told}/>"


def text(words: object, x: float, y: float, class_: str = "", anchor: str = "start") -> str:
    """A line of text, escaped."""
    return element("text", escape(printable(words)), x=x, y=y, class_=class_, text_anchor=anchor)


def rect(x: float, y: float, width: float, height: float, class_: str, title: str = "") -> str:
    """A box, with words for who rests on it or listens to it."""
    return element("rect", _title(title), x=x, y=y, width=width, height=height, class_=class_)


def line(x1: float, y1: float, x2: float, y2: float, class_: str) -> str:
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, class_=class_)


def picture(parts: list[str], width: float, height: float, label: str, class_: str) -> str:
    """The whole drawing; it grows and shrinks with the column that holds it."""
    return element(
        "svg",
        _title(label) + "".join(parts),
        viewBox=f"0 0 {_short(width)} {_short(height)}",
        role="img",
        class_=class_,
        aria_label=printable(label),
    )


def _title(words: str) -> str:
    return f"<title>{escape(printable(words))}</title>" if words else ""


def _value(value: object) -> str:
    return quoteattr(_short(value) if isinstance(value, (int, float)) else str(value))


def _short(number: float) -> str:
    return f"{number:.2f}".rstrip("0").rstrip(".") if isinstance(number, float) else str(number)
