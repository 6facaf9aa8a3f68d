"""Who sat where: what the parties said of themselves, for the head of the report."""

from benchsim.judge.core import Judge

FACTS = ("maker", "model", "serial", "firmware", "software")


def identities(judge: Judge) -> dict[str, str]:
    """{seat: "maker BNC, model …"}, filled while `judge` hears IDENT and IDENTIFICATION answered."""
    told: dict[str, str] = {}

    def board(x, _):
        if x.name == "IDENT" and x.ok:
            told[judge.book.kit.answers] = _words(x.answer.message.fields)

    def device(x, heard):
        for message in x.messages if heard.intact else ():
            if x.seat and "serial" in message.fields:
                told[x.seat] = _words(message.fields)

    judge.calls("kit.answer").append(board)
    judge.calls("bus.answer.data").append(device)
    return told


def _words(fields: dict) -> str:
    return ", ".join(f"{name} {str(fields[name]).strip()}" for name in FACTS if name in fields)
