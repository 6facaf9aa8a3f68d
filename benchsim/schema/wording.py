"""Messages of the payment bus and their fields, in words for people."""

from benchsim.schema import currency
from benchsim.schema.bits import BitLayout
from benchsim.schema.fields import Field, Layout
from benchsim.schema.forms import BitForm, Form, Message

_TYPES = {"u": "", "s": "signed", "bcd": "BCD digits", "ascii": "ASCII", "bits": "bit mask", "hex": "raw"}


def said(message: Message) -> str:
    """A parsed message: "COIN DEPOSITED: route 1, coin 2, tube 7"."""
    fields = ", ".join(f"{name} {shown(name, value)}" for name, value in message.fields.items())
    return message.name + (f": {fields}" if fields else "")


def shown(name: str, value) -> str:
    """The value of a field. Zeros at the end of a list say nothing."""
    if isinstance(value, bytes):
        return value.hex(" ").upper() or "none"
    if isinstance(value, list):
        used = max((i + 1 for i, one in enumerate(value) if one), default=0)
        return " ".join(map(str, value[:used])) or "none"
    if name == "currency" and isinstance(value, str) and (words := currency.in_words(value)):
        return f"{value} ({words})"
    if isinstance(value, str):
        return f'"{value}"' if not value.isalnum() else value
    return str(value)


def layouts(form: Form | BitForm) -> list[tuple[str, str]]:
    """(when, fields in words) of a message, the plain form first: ("", …), ("from level 2", …), ("32-bit money", …)."""
    return [(when, layout_text(layout)) for when, layout in form.named()]


def layout_text(layout: Layout | BitLayout) -> str:
    """The fields of a layout, "none" where there are none."""
    if isinstance(layout, BitLayout):
        return f"{layout.pattern} = {', '.join(layout.fields)}"
    return ", ".join(_field(field) for field in layout.fields) or "none"


def _field(field: Field) -> str:
    if field.rest:
        size = "all that is left"
    else:
        size = f"{field.size} byte{'s' if field.size > 1 else ''}"
    many = f"{field.count} x " if field.count is not None else ""
    parts = [many + size, _TYPES[field.type], "" if field.legal is None else _legal(field.legal),
             "zeros at the end may be left off" if field.trim else ""]  # fmt: skip
    return f"{field.name} ({', '.join(part for part in parts if part)})"


def _legal(legal: range | frozenset) -> str:
    if isinstance(legal, range):
        return f"{legal.start} to {legal.stop - 1}"
    return " or ".join(map(str, sorted(legal)))
