"""The plan for a touch panel under test: it is touched, held, and left alone; all else at the bench is simulated.

At a real panel a person is asked to touch it (`--hands`). What it reports of a place is not judged: only the finger
knows where it was.
"""

from benchsim.checks.panel_variants import VARIANTS
from benchsim.checks.stage import SUPPLY, Cases, Plan, Stage
from benchsim.links.kit_frames import reader_of
from benchsim.schema import Misfit
from benchsim.seats.panel import SPAN

CASES = Cases("panel")
case = CASES.case
PERSON = 60.0  # seconds for a person to come to the panel
EDGE = 40  # of a coordinate: as near to the edge as a finger comes
CORNERS = {"top left": (EDGE, EDGE), "top right": (SPAN - EDGE, EDGE), "bottom left": (EDGE, SPAN - EDGE),
           "bottom right": (SPAN - EDGE, SPAN - EDGE)}  # fmt: skip


class PanelStage(Stage):
    """`panel` is the simulated one; None: something real is touched by a person."""

    def __init__(self, bench, person=None, switch=None):
        super().__init__(bench, person, switch)
        self.panel, self._spec = bench.panel, bench.book.panel
        self._reader = reader_of(self._spec)
        self.down: bool | None = None  # as the last report says; None: nothing was heard yet
        bench.trace.listeners.append(self)

    def burst(self, burst) -> None:
        """Words of the panel."""
        if burst.link != "panel":
            return
        for frame in self._reader.feed(burst):
            try:
                self.down = self.down if frame.broken else bool(self._spec.parse_report(frame.body)["down"])
            except Misfit:
                continue

    def happening(self, happening) -> None:
        """Off the links nothing is listened to."""

    async def touch(self, where: tuple[int, int] = (SPAN // 2, SPAN // 2), seconds: float = 0.1, what: str = "Touch the panel once") -> None:
        """A finger comes down there and is lifted after so long; a person is asked for `what`."""
        if self.panel is None:
            self.person(what)
            await self.until(lambda: self.down, PERSON, "no touch was reported")
            await self.until(lambda: not self.down, PERSON, "the end of the touch was not reported")
            return
        self.panel.press(*where)
        await self.sleep(seconds)
        self.panel.release()


@case("idle", "Nothing: nobody touches it for six seconds")
async def idle(s: PanelStage):
    await s.sleep(6)


@case("touch", "A finger touches it, for a tenth of a second", hands=True)
async def touch(s: PanelStage):
    await s.sleep(1.2)
    await s.touch()
    await s.sleep(3)


@case("held", "A finger stays on it for four seconds", hands=True)
async def held(s: PanelStage):
    await s.sleep(1.2)
    await s.touch(seconds=4, what="Hold a finger on the panel for four seconds")
    await s.sleep(3)


@case("corners", "A finger touches each corner, as near to the edge as it can", hands=True)
async def corners(s: PanelStage):
    await s.sleep(1.2)
    for name, where in CORNERS.items():
        await s.touch(where, what=f"Touch the {name} corner of the panel")
        await s.sleep(0.4)
    await s.sleep(2)


@case("quick-touches", "Five touches, one right after the other", hands=True)
async def quick_touches(s: PanelStage):
    await s.sleep(1.2)
    for _ in range(5):
        await s.touch(seconds=0.05)
        await s.sleep(0.05)
    await s.sleep(2)


@case("restart", "The panel loses its supply for a moment", hands=SUPPLY)
async def restart(s: PanelStage):
    await s.sleep(2)
    if s.panel is not None:
        s.panel.power_off()
        await s.sleep(1)
        s.panel.power_on()
    elif await s.supply("panel", False):
        await s.sleep(1)
        await s.supply("panel", True)
    else:
        s.person("Switch the panel off and on again")
    s.down = None
    await s.until(lambda: s.down is not None, s.boot or PERSON, "the panel did not come back")
    await s.sleep(3)


PLAN = Plan("panel", CASES, PanelStage, ("panel",), VARIANTS)
