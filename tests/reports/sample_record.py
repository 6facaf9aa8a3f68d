"""A record with invented but likely figures. Nobody's run: every number below was made up here."""

from random import Random

from benchsim.reports.record import CaseNote, Exchange, Limit, Record, Stretch

WORD = 11 / 9600  # seconds: one word of the payment bus (MDB/ICP 4.3 §2: 9600 baud, 11 bits)

BENCH = """\
# A small bench: the board is under test, all others are played.
name = "corner shop"
seed = 7

[seats.board]
real = true

[seats.changer]
level = 3
coins = [5, 10, 20, 50, 100]

[seats.validator]
level = 2
"""

RULES = {
    "BUS-ACK": "Every good data block is answered ACK, RET or NAK within 5.0 ms.",
    "BUS-GAP": "At most 1.0 ms between words inside a block.",
    "BUS-MODE-OUT": "Mode bit on the address word and on no other.",
    "BUS-POLL-RATE": "Each present device is polled every 25 to 200 ms.",
    "BUS-RATE": "Bit rate inside 9600 +1 % / -2 %.",
    "BUS-SETTLE": "At least 200 ms from the end of a break to the first command.",
    "BUS-SUM-OUT": "The checksum is right.",
    "CHG-PAYOUT": "No payout beyond the known tube count.",
    "CSH-FUNDS": "No VEND request above what is left of the session's funds.",
    "KIT-ANSWER": "An answer starts within 20 ms, with the request's number and operation.",
    "KIT-FRAME": "Flags, stuffing, check and length are right.",
    "KIT-PRICE-WHOLE": "The price table in force changes only at a good PRICE-COMMIT.",
    "SYS-COLD": "Perishable duty: lock-out when food was too warm for too long.",
    "SYS-DOOR": "No coil starts with the door open; one that turns stops within 1 s.",
    "SYS-MONEY": "Money in equals sales, change paid and credit held.",
    "SYS-ONE-COIL": "One VEND drives one coil once.",
    "SYS-PRESENT": "The seat under test said at least one valid thing.",
}

MDB = "MDB/ICP 4.3 §3"
KIT = "kit link reference"


def verdict(rule, outcome, case, checked=0, broken=0, judged="board", **more):
    """A verdict with every key of the contract; what is not given is null."""
    told = {
        "rule": rule,
        "judged": judged,
        "outcome": outcome,
        "checked": checked,
        "broken": broken,
        "worst": None,
        "limit": None,
        "unit": None,
        "margin": None,
        "uncertainty": None,
        "confidence": "A",
        "source": MDB if rule.startswith(("BUS", "CHG", "CSH")) else KIT,
        "why": None,
        "case": case,
        "at": [],
    }
    return {**told, **more}


def place(time_s, frame, text):
    return {"time_s": time_s, "frame": frame, "text": text}


CASES = [
    CaseNote(
        "plain-sale",
        "A shopper pays with coins and buys twice, with change.",
        "board",
        42.0,
        "benchsim check shop.toml --test board --case plain-sale --seed 7",
    ),
    CaseNote(
        "slow-reader",
        "The card reader answers late but within its time, then once not at all.",
        "board",
        65.5,
        "benchsim check shop.toml --test board --case slow-reader --seed 7",
        ["The reader was silent from 31.2 s to 36.2 s."],
    ),
    CaseNote(
        "noisy-coils",
        "Coil motors throw noise bursts on the bus while money moves.",
        "board",
        58.25,
        "benchsim check shop.toml --test board --case noisy-coils --seed 7",
    ),
    CaseNote(
        "power-cut",
        "The supply drops out in the middle of a vend and comes back.",
        "board",
        71.0,
        "benchsim check shop.toml --test board --case power-cut --seed 7",
        ["The board took 1.9 s from power to its first answer.", "No price was lost."],
    ),
]


def _verdicts():
    late = [
        place(12.104371, 1207, "board: ACK (100) 6.21 ms after changer: 003 150 153*"),
        place(33.900112, 3390, "board: ACK (100) 5.90 ms after changer: 001 101*"),
        place(34.100907, 3411, "board: ACK (100) 5.62 ms after changer: 001 101*"),
    ]
    ms = {"limit": [None, 5.0], "unit": "ms", "uncertainty": 0.05}
    cold = "the bench file has no perishable duty"
    edges = "edges were not measured on this port: a tap with a logic analyser would"
    found = []
    for note in CASES:
        case = note.name
        found += [
            verdict(
                "BUS-GAP",
                "pass",
                case,
                40112,
                worst=0.21,
                limit=[None, 1.0],
                unit="ms",
                margin=0.79,
                uncertainty=0.05,
            ),
            verdict("BUS-MODE-OUT", "pass", case, 4120),
            verdict("BUS-SUM-OUT", "pass", case, 4120),
            verdict("BUS-RATE", "unseen", case, why=edges),
            verdict(
                "KIT-ANSWER",
                "pass",
                case,
                420,
                worst=7.4,
                limit=[None, 20.0],
                unit="ms",
                margin=12.6,
                uncertainty=1.0,
            ),
            verdict("KIT-FRAME", "pass", case, 842),
            verdict("SYS-PRESENT", "pass", case, 1, source="common practice"),
            verdict("SYS-MONEY", "pass", case, 12, source="common practice"),
            verdict("SYS-COLD", "unseen", case, why=cold, source="FDA Food Code 2022, 3-501.16"),
        ]
    found += [
        verdict("BUS-ACK", "pass", "plain-sale", 1904, worst=2.8, margin=2.2, **ms),
        verdict("BUS-ACK", "fail", "noisy-coils", 1877, 3, worst=6.21, margin=-1.21, at=late, **ms),
        verdict(
            "BUS-SETTLE",
            "unsure",
            "power-cut",
            2,
            worst=200.4,
            limit=[200.0, None],
            unit="ms",
            margin=0.4,
            uncertainty=1.0,
            at=[place(3.201, 1, "board: RESET 008 (108 to the changer) after a break of 102 ms")],
        ),
        verdict(
            "BUS-POLL-RATE",
            "warn",
            "slow-reader",
            640,
            2,
            worst=231.0,
            limit=[25.0, 200.0],
            unit="ms",
            margin=-31.0,
            uncertainty=0.05,
            confidence="B",
            at=[place(31.440, 2980, "board: POLL 10B to the changer, 231 ms after the last")],
        ),
        verdict("CHG-PAYOUT", "pass", "plain-sale", 4),
        verdict("CSH-FUNDS", "unseen", "plain-sale", why="no card session was opened"),
        verdict("CSH-FUNDS", "pass", "slow-reader", 6),
        verdict(
            "KIT-PRICE-WHOLE",
            "fail",
            "power-cut",
            1,
            1,
            at=[place(40.5, 4001, "board: PRICE-READ shows 2 prices of a table that was never committed")],
        ),
        verdict("SYS-DOOR", "unseen", "plain-sale", why="the door was never opened"),
        verdict("SYS-ONE-COIL", "pass", "plain-sale", 2, source="common practice"),
    ]
    return found


def _samples():
    dice = Random(7)
    samples = {}
    for note in CASES:
        samples[note.name, "BUS-GAP", "board"] = [abs(dice.gauss(0.09, 0.03)) for _ in range(400)]
        samples[note.name, "KIT-ANSWER", "board"] = [min(7.4, abs(dice.gauss(4, 1.1))) for _ in range(420)]
    samples["plain-sale", "BUS-ACK", "board"] = [min(2.8, dice.gauss(1.9, 0.3)) for _ in range(900)]
    samples["noisy-coils", "BUS-ACK", "board"] = [min(4.1, dice.gauss(2.0, 0.5)) for _ in range(1874)] + [
        6.21,
        5.9,
        5.62,
    ]
    samples["power-cut", "BUS-SETTLE", "board"] = [200.4, 212.0]
    samples["slow-reader", "BUS-POLL-RATE", "board"] = [dice.gauss(98, 9) for _ in range(638)] + [
        231.0,
        204.2,
    ]
    return samples


def exchange():
    """A changer's answer and the board's acknowledgement, 6.21 ms later (5 ms are allowed)."""
    start, stretches = 12.094, []
    for label in ("003", "150", "153*"):
        stretches.append(Stretch("changer", start, start + WORD, label))
        start += WORD
    stretches.append(Stretch("board", start + 0.00621, start + 0.00621 + WORD, "100"))
    return Exchange(
        stretches, Limit(start, start + 0.005, "ACK within 5 ms"), "changer answers, board acknowledges"
    )


SELFTEST = [
    {"variant": "late-ack", "seat": "board", "rule": "BUS-ACK", "caught": True, "seeds": 3, "missed": []},
    {"variant": "mode-on-data", "seat": "board", "rule": "BUS-MODE-OUT", "caught": True, "seeds": 3, "missed": []},
    {"variant": "pays-blind", "seat": "board", "rule": "CHG-PAYOUT", "caught": True, "seeds": 3, "missed": []},
    {"variant": "swallows-tag", "seat": "changer", "rule": "BUS-REPEAT", "caught": False, "seeds": 3, "missed": [8]},
]


LEGAL = [
    {"variant": "slow-and-legal", "seat": "changer", "failed": [], "seeds": 3},
    {"variant": "no-zeros", "seat": "changer", "failed": ["BUS-SHAPE in start-up, seed 8"], "seeds": 3},
]


def document(verdicts, selftest=None, subject="board", outcome=None, frames=29411, duration_s=236.75, legal=None):
    """The promised document for `verdicts`; summary and outcome are worked out here, on their own."""
    summary = {name: 0 for name in ("pass", "fail", "unsure", "unseen", "warn")}
    for each in verdicts:
        summary[each["outcome"]] += 1
    missed = any(not row["caught"] for row in selftest or ())
    if outcome is None:
        held = summary["pass"] + summary["warn"] and not summary["unsure"]
        outcome = "fail" if summary["fail"] or missed else "pass" if held else "unsure"
    return {
        "tool": {"name": "benchsim", "version": "0.1.0"},
        "subject": subject,
        "seed": 7,
        "duration_s": duration_s,
        "frames": frames,
        "verdicts": verdicts,
        "selftest": selftest,
        "legal": legal,
        "waivers": None,
        "golden": None,
        "about": {"image": "kit.img, SHA-256 0123", "operator": "day shift <early>"},
        "links": [
            {"link": "bus", "uncertainty_ms": 0.0, "edges": True, "chunks": False, "better": ""},
            {"link": "kit", "uncertainty_ms": 3.0000001, "edges": False, "chunks": True, "better": "use a tap"},
        ],
        "summary": summary,
        "outcome": outcome,
    }


def sample_record(selftest=SELFTEST, **changes):
    """A failing run of a board on a serial adapter: every outcome, four cases, a self-test with one miss."""
    return Record(
        document=document(_verdicts(), selftest, legal=LEGAL if selftest else None, **changes),
        cases=list(CASES),
        samples=_samples(),
        about={
            "Board": "on a serial port, words by mark and space parity",
            "Changer, validator, reader": "played by the bench",
            "Protocol files": "bus 4.3 r2, kit 1 r5",
            "Python": "3.11",
        },
        bench_text=BENCH,
        captures=["run.pcapng", "run.csv"],
        how={
            "bus": "A serial adapter stamps each word as it arrives: times may be off by 1 ms. "
            "A logic analyser on both conductors, judged from its VCD file, measures to a microsecond.",
            "kit": "A pseudo-terminal: bytes come in lumps, so gaps inside a frame are not measured.",
        },
        rule_text=dict(RULES),
        replay="benchsim check shop.toml --test board --seed 7",
        exchanges={("noisy-coils", "BUS-ACK", "board"): exchange()},
    )


def clean_record():
    """A run in which all that was put to the test held."""
    good = [each for each in _verdicts() if each["outcome"] in ("pass", "unseen")]
    record = sample_record()
    record.document = document(good, [row for row in SELFTEST if row["caught"]])
    record.exchanges = {}
    return record


def unsure_record():
    """A run in which nothing failed but one verdict lies inside the doubt."""
    kept = [each for each in _verdicts() if each["outcome"] in ("pass", "unseen", "unsure")]
    record = sample_record()
    record.document = document(kept)
    return record


def untested_record():
    """A run in which nothing at all was put to the test."""
    return Record(document([each for each in _verdicts() if each["outcome"] == "unseen"], subject=None))
