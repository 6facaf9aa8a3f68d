"""The fault dictionary as a page: a heat map of which cards look alike, the groups, and each card's symptoms."""

from pathlib import Path
from xml.sax.saxutils import escape

from jinja2 import Environment, PackageLoader, select_autoescape

from benchsim.faults import load_cards
from benchsim.sweeps.dictionary import SHOWS, VISIBLE, Dictionary
from benchsim.sweeps.work import HEALTHY

CELL, NAMES = 13, 172  # pixels: a cell, the room for names
SHADES = 8


def write_page(dictionary: Dictionary, path: Path) -> None:
    """Write it; one file without anything from elsewhere."""
    pages = Environment(loader=PackageLoader("benchsim.sweeps"), autoescape=select_autoescape(["j2", "html"]))
    known = load_cards()
    told = dictionary.as_json()
    rows = [
        {
            "id": card,
            "title": known[card].title if card in known else "Nothing is wrong",
            "runs": dictionary.runs[card],
            "quiet": not told["cards"][card]["shows"],
            "why": known[card].quiet if card in known else "",
            "symptoms": dictionary.symptoms(card) if card != HEALTHY else [],
            "nearest": min(told["distance"][card].items(), key=lambda pair: pair[1]),
        }
        for card in dictionary.cards
    ]
    path.write_text(
        pages.get_template("dictionary.html.j2").render(
            about=dictionary.about, rows=rows, groups=told["groups"], looks=told["looks"], map=heat_map(dictionary),
            measured=dictionary.measured, plot=calibration_plot((dictionary.measured or {}).get("calibration") or []),
            shows=round(SHOWS * 100), shades=range(SHADES + 1), of=SHADES,
        ),
        "utf-8",
    )  # fmt: skip


def calibration_plot(rows: list[dict]) -> str:
    """SVG: what was said against what came true; on the diagonal both are the same. A bigger dot stands for more claims."""
    if not rows:
        return ""
    side, edge = 260, 40
    parts = [
        f'<svg class="plot" viewBox="0 0 {side + 2 * edge} {side + 2 * edge}" width="{side + 2 * edge}" role="img" '
        'aria-label="Calibration: probabilities said against how often they came true">',
        f'<rect class="frame" x="{edge}" y="{edge}" width="{side}" height="{side}"/>',
        f'<line class="frame" x1="{edge}" y1="{edge + side}" x2="{edge + side}" y2="{edge}"/>',
        f'<text x="{edge + side / 2}" y="{edge + side + 30}" text-anchor="middle">probability said</text>',
        f'<text transform="translate(14,{edge + side / 2}) rotate(-90)" text-anchor="middle">share that came true</text>',
    ]
    for tick in (0, 0.5, 1):
        parts.append(f'<text x="{edge + tick * side}" y="{edge + side + 14}" text-anchor="middle">{tick:g}</text>')
        parts.append(f'<text x="{edge - 6}" y="{edge + side - tick * side + 4}" text-anchor="end">{tick:g}</text>')
    for row in rows:
        x, y = edge + row["said"] * side, edge + side - row["true"] * side
        title = f'said {row["said"]:.2f}, true {row["true"]:.2f}, {row["claims"]} claims'
        parts.append(f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="{min(3 + row["claims"] ** 0.5 / 3, 12):.1f}"><title>{title}</title></circle>')
    return "".join([*parts, "</svg>"])


def heat_map(dictionary: Dictionary) -> str:
    """SVG: a row and a column for each card, dark where two look alike: below the diagonal by all looks, above it by
    those without a recorder. The number stands in each cell's title, with what tells most.
    """
    cards = dictionary.cards
    size = NAMES + CELL * len(cards)
    parts = [f'<svg viewBox="0 0 {size} {size}" role="img" aria-label="How far cards are apart">']
    for i, card in enumerate(cards):
        middle = NAMES + i * CELL + CELL - 3
        name = f'<a href="#{escape(card)}">{escape(card)}</a>'
        parts.append(f'<text x="{NAMES - 5}" y="{middle}" text-anchor="end">{name}</text>')
        parts.append(f'<text transform="translate({middle},{NAMES - 5}) rotate(-90)">{name}</text>')
    for i, one in enumerate(cards):
        for j, other in enumerate(cards):
            apart, by = dictionary.distance(one, other, VISIBLE) if i < j else dictionary.distance(one, other)
            what = one if i == j else f"{one}, {other}: {apart:.2f} {by}"
            parts.append(
                f'<rect class="{"self" if i == j else f"s{round(apart * SHADES)}"}" x="{NAMES + j * CELL}" '
                f'y="{NAMES + i * CELL}" width="{CELL - 1}" height="{CELL - 1}"><title>{escape(what)}</title></rect>'
            )
    return "".join([*parts, "</svg>"])
