"""What people and their tools read after a run: JSON, JUnit XML, HTML, terminal. One input: `Record`.

Every form is a function of the record alone: no clock, no path, no network. Same record, same bytes. `folder` writes them
all; what makes HTML is not imported here, because every test with a bench would wait for it.
"""

from benchsim.reports.document import write_json
from benchsim.reports.exchanges import exchanges
from benchsim.reports.junit import write_junit
from benchsim.reports.record import CaseNote, Exchange, Limit, Record, Stretch

__all__ = ["CaseNote", "Exchange", "Limit", "Record", "Stretch", "exchanges", "write_json", "write_junit"]
