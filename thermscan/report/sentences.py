"""What the stages say in English sentences, in the report's own language and units."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from functools import cache
from importlib.resources import files

from thermscan.frozen import dataclass
from thermscan.report.shown import Shown, visible

_NUMBER = r"[-+\N{MINUS SIGN}]?\d+(?:\.\d+)?(?:e[-+]?\d+)?"
# What may stand in a place, by what follows its colon.
_PLACES = {"": ".+?", "n": _NUMBER, "temp": rf"{_NUMBER} °C", "diff": rf"{_NUMBER} K"}
_PLACE = re.compile(r"\{(\w+)(?::(\w+))?\}")
_MEASURED = re.compile(rf"(?<![\w.])({_NUMBER}) (°C|K)(?![\w/²])")
# A stage that speaks of one file begins with the file's name.
_MORE_FILES = re.compile(r"and (\d+) more(?=: $)")
_OF_A_FILE = re.compile(r"(?s)([^:]{1,300}): (.+)")


@dataclass(frozen=True, slots=True)
class Sentence:
    """One sentence: how it reads in English, as a pattern, and its text in each other language."""

    pattern: re.Pattern[str]
    places: dict[str, str]
    texts: dict[str, str]


def in_words_of(text: str, shown: Shown) -> tuple[str, str]:
    """
    A stage's sentence in the language and units shown, and the language that it is in.

    Parameters
    ----------
    text : str
        As the stage words it: English, degrees Celsius.
    shown : Shown

    Returns
    -------
    text, language : str
        A sentence that has no translation stays English; its temperatures are in the unit shown all the same.

    Examples
    --------
    >>> in_words_of("overloaded? measure the current of what it feeds", Shown("de"))
    ('überlastet? den Strom dessen messen, was er speist', 'de')
    >>> print(in_words_of("U7: dead pixels, each repaired from its neighbours: 3", Shown("de"))[1])
    en
    """
    if shown.language != "en":
        for before, told in (("", text), *_after_file(text)):
            for sentence in sentences():
                found = sentence.pattern.fullmatch(told)
                if found:
                    words = _MORE_FILES.sub(lambda more: shown.say("number.and_more", n=more[1]), before)
                    return visible(words + _filled(sentence, found, shown)), shown.language
    return visible(text if shown.units == "C" else _MEASURED.sub(_measured_in(shown), text)), "en"


@cache
def sentences() -> tuple[Sentence, ...]:
    """All sentences that can be said in more than English."""
    source = files("thermscan.report").joinpath("languages", "sentences.toml").read_text(encoding="utf-8")
    return tuple(_sentence(each) for each in tomllib.loads(source)["sentence"])


def _sentence(texts: dict[str, str]) -> Sentence:
    english = texts["en"]
    places = {place[1]: place[2] or "" for place in _PLACE.finditer(english)}
    pieces, end = [], 0
    for place in _PLACE.finditer(english):
        pieces += [re.escape(english[end : place.start()]), f"(?P<{place[1]}>{_PLACES[place[2] or '']})"]
        end = place.end()
    pieces.append(re.escape(english[end:]))
    return Sentence(re.compile("".join(pieces), re.DOTALL), places, texts)


def _after_file(text: str) -> list[tuple[str, str]]:
    found = _OF_A_FILE.fullmatch(text)
    return [(f"{found[1]}: ", found[2])] if found else []


def _filled(sentence: Sentence, found: re.Match[str], shown: Shown) -> str:
    values = {name: _shown_value(found[name], kind, shown) for name, kind in sentence.places.items()}
    return _PLACE.sub(lambda place: values[place[1]], sentence.texts[shown.language])


def _shown_value(value: str, kind: str, shown: Shown) -> str:
    if kind == "n":
        return shown.number(float(value.replace("\N{MINUS SIGN}", "-")), _digits(value)) if "e" not in value else value
    return _MEASURED.sub(_measured_in(shown), value)


def _measured_in(shown: Shown) -> Callable[[re.Match[str]], str]:
    def told(found: re.Match[str]) -> str:
        number = float(found[1].replace("\N{MINUS SIGN}", "-"))
        if found[2] == "°C":
            return shown.temp(number, _digits(found[1]))
        return shown.diff(number, _digits(found[1]), signed=found[1].startswith("+"))

    return told


def _digits(number: str) -> int:
    return len(number.partition(".")[2])
