"""What the stages say, in German: each sentence with the same places, and all of the judge's guesses."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import thermscan
from thermscan.report.sentences import in_words_of, sentences
from thermscan.report.shown import LANGUAGES, Shown

ROOMS = Path(thermscan.__file__).parent
PLACE = re.compile(r"\{(\w+)(?::(\w+))?\}")


def test_every_sentence_is_in_every_language_with_the_same_places_and_stands_once() -> None:
    seen = set()
    for sentence in sentences():
        assert set(sentence.texts) == set(LANGUAGES)
        assert len({frozenset(PLACE.findall(text)) for text in sentence.texts.values()}) == 1, sentence.texts["en"]
        assert sentence.texts["en"] not in seen
        seen.add(sentence.texts["en"])


def test_numbers_temperatures_and_differences_are_shown_in_the_readers_way() -> None:
    said = (
        "the whole board reads +1.5 K beyond what its parts' heat explains: check ambient_c, reflected_c and the camera"
    )
    assert plain(said, Shown("de", "F")).startswith("die ganze Platine weicht um +2,7 °F von dem ab")
    said = "a.tiff: 12 pixels stand at the top of the range (150.0 °C): they may be hotter; choose the camera's higher "
    assert plain(f"{said}range", Shown("de")) == (
        "a.tiff: 12 Pixel stehen am oberen Ende des Messbereichs (150,0 °C): sie können heißer sein; "
        "den höheren Bereich der Kamera wählen"
    )
    assert plain(f"{said}range".replace("a.tiff", "a.tiff and 2 more"), Shown("de")).startswith(
        "a.tiff und 2 weitere: 12 P"
    )
    # Within a free text, too: 73 °C is 163.4 °F.
    said = (
        "warm electrolytic capacitors: C1 (73 °C, 4 times); by the rule of thumb that each 10 K halves their life they "
    )
    said += "age so many times as fast as at ambient: dried out after years? check capacitance and series resistance"
    assert "C1 (163 °F, 4 times)" in plain(said, Shown("de", "F"))
    assert "C1 (163 °F, 4 times)" in plain(said, Shown("en", "F"))
    assert in_words_of(said, Shown()) == (said, "en")


def plain(text: str, shown: Shown) -> str:
    return in_words_of(text, shown)[0].replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize("text", ["nobody has said this before", "U1: <b>{ref}</b> {0} {x.__class__}", "", "a: b: c"])
def test_what_has_no_translation_stays_as_it_is(text: str) -> None:
    assert in_words_of(text, Shown("de")) == (text, "en")


def test_an_english_sentence_that_only_contains_a_known_one_is_not_taken_for_it() -> None:
    known = "overloaded? measure the current of what it feeds"
    assert in_words_of(f"{known} or not", Shown("de"))[1] == "en"


def guesses() -> Iterator[str]:
    """Every guess at a cause in the judge's code, with a part's name in its places."""
    for path in sorted((ROOMS / "judge").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]).lower().endswith("hypotheses"):
                yield from texts_in(node.value)
            if isinstance(node, ast.keyword) and node.arg == "hypotheses":
                yield from texts_in(node.value)
            if isinstance(node, ast.FunctionDef) and node.name.endswith("hypotheses"):
                for each in node.body[1:]:
                    yield from texts_in(each)


def texts_in(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.JoinedStr):
        yield "".join(str(piece.value) if isinstance(piece, ast.Constant) else "U7" for piece in node.values)
    elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.count(" ") > 2:
        yield node.value
    else:
        for each in ast.iter_child_nodes(node):
            yield from texts_in(each)


def test_every_guess_at_a_cause_that_the_judge_makes_can_be_said_in_german() -> None:
    found = set(guesses())
    assert len(found) > 8
    missing = [text for text in sorted(found) if in_words_of(text, Shown("de"))[1] == "en"]
    assert missing == [], "add them to thermscan/report/languages/sentences.toml"
