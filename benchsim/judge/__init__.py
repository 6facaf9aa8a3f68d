"""Rules over everything that happens at the bench, and their verdicts.

Every module of this folder may register rules and followers; all are read here, in order of name.
"""

from importlib import import_module
from pkgutil import iter_modules

from benchsim.judge.core import Judge
from benchsim.judge.registry import Rule, all_rules, follows, rule
from benchsim.judge.tally import Moment, Tally
from benchsim.judge.verdict import Place, Verdict

__all__ = ["Judge", "Moment", "Place", "Rule", "Tally", "Verdict", "all_rules", "follows", "rule"]

for _module in sorted(info.name for info in iter_modules(__path__)):
    import_module(f"{__name__}.{_module}")
