"""Kit link, host: unspent credit waits for the customer. Source: kit link reference."""

from benchsim.judge.registry import rule


@rule(
    "KIT-REFUND", "host", link="kit", source="kit link reference",
    unseen="no credit was left to wait for its customer, or nothing off the links was recorded",
)  # fmt: skip
def refunds_only_when_asked(tally, judge):
    """REFUND is asked only after a customer touched the panel since the credit came: unspent credit waits."""
    host = tally.of(judge.book.kit.asks)
    recorded = touched = False  # are happenings told at all; was there a touch since the credit came
    waiting = None  # the answer that told of the credit

    def case(happening):
        nonlocal recorded
        recorded = True

    def touch(happening):
        nonlocal touched
        touched = True

    def events(x, heard, fresh):
        nonlocal touched, waiting
        if any(e.name == "CREDIT" and e.fields["source"] and e.fields["amount"] for e in fresh):
            touched, waiting = False, heard

    def request(x):
        if x.name == "REFUND" and recorded and not x.repeat:
            host.check(touched, x.first, "" if touched else "nobody had touched the panel since the credit came")

    def end(tick):
        if recorded and waiting is not None and not touched:
            host.check(True, waiting)

    return {
        "happening.case": case, "happening.touch": touch, "kit.events": events, "kit.request": request, "end": end,
    }  # fmt: skip
