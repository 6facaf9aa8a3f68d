"""Every rule for people: statement, source, limit, what breaks it in practice, what to look at first."""

import tomllib
from functools import cache
from importlib.resources import files
from textwrap import fill
from typing import NamedTuple

WIDTH = 110  # columns


class Practice(NamedTuple):
    """What the workshop knows of a rule; both empty where it knows nothing."""

    breaks: str = ""
    look: str = ""


@cache
def all_practice() -> dict[str, Practice]:
    """By rule, from `practice.toml` beside this file."""
    text = files("benchsim.reports").joinpath("practice.toml").read_text("utf-8")
    return {rule: Practice(**told) for rule, told in tomllib.loads(text).items()}


def practice_of(rule: str) -> Practice:
    """What is known of one rule."""
    return all_practice().get(rule, Practice())


def page_of(rule, book, whole: bool = True) -> list[str]:
    """One rule (of `benchsim.judge`) as text: a title, then what is to be known. `whole`: with the practice."""
    limit, known = rule.limit_in(book), practice_of(rule.id) if whole else Practice()
    facts = {
        "": rule.statement,
        "limit": f"{limit.text} ({limit.says})" if limit else "",
        "source": f"{rule.source_of(limit) or 'kit link reference'}, confidence {rule.confidence_of(limit)}",
        "what breaks it in practice": known.breaks,
        "look first at": known.look,
    }
    told = [f"{name}: {text}" if name else text for name, text in facts.items() if text]
    title = f"{rule.id}  ({', '.join(rule.judged)})" + ("  [advice: warns only]" if rule.advice else "")
    return [title, *(fill(text, WIDTH, initial_indent="    ", subsequent_indent="      ") for text in told)]
