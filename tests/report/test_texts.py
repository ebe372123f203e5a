"""The report's texts: every language says the same things, and numbers look as each asks."""

from __future__ import annotations

import re
import string
from pathlib import Path

import pytest

from tests.report.built_inspections import build_inspection
from thermscan.regions import reasons
from thermscan.report import shown as shown_module
from thermscan.report.first_page import first_page
from thermscan.report.shown import LANGUAGES, Shown, texts_of

FOLDER = Path(shown_module.__file__).parent


def places(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


@pytest.mark.parametrize("language", [each for each in LANGUAGES if each != "en"])
def test_a_translation_has_the_same_keys_and_places_and_its_own_words(language: str) -> None:
    english, other = texts_of("en"), texts_of(language)
    assert set(other) == set(english)
    assert {key for key in english if places(other[key]) != places(english[key])} == set()
    alike = {key for key, text in english.items() if other[key] == text and re.search("[a-z]{4}", text)}
    # Where the two languages happen to agree.
    assert alike <= {"view.part_label", "first.do_possible", "number.minutes", "word.normal", "table.uncertainty"}


def test_every_text_that_is_asked_for_is_there() -> None:
    sources = (*FOLDER.glob("*.py"), FOLDER / "page" / "page.html")
    source = "\n".join(path.read_text(encoding="utf-8") for path in sources)
    asked = set(re.findall(r'say\(\s*"([a-z]+\.[a-z_-]*[a-z])"', source))
    assert len(asked) > 40
    assert asked <= set(texts_of("en"))


def test_every_reason_has_plain_words_and_a_remedy() -> None:
    codes = {each.code for each in vars(reasons).values() if isinstance(each, reasons.Reason)}
    assert len(codes) > 5
    for language in LANGUAGES:
        said = Shown(language)
        assert {code for code in codes if not said.has(f"reason.{code}") or not said.has(f"remedy.{code}")} == set()


def test_fahrenheit_is_scaled_for_a_difference_and_moved_for_a_temperature() -> None:
    # The two fixed points of the scale: ice melts at 32 °F, water boils at 212 °F.
    said = Shown("en", "F")
    assert (said.temp(0.0), said.temp(100.0)) == ("32.0\xa0°F", "212.0\xa0°F")
    assert said.diff(100.0) == "180.0\xa0°F"
    # Twice the standard uncertainty, 0.5 K: 1 K, which is 1.8 °F.
    assert said.spread(0.5) == "±\xa01.8\xa0°F"


def test_a_decimal_comma_where_the_language_has_it_and_no_minus_before_zero() -> None:
    german = Shown("de")
    assert german.diff(-12.34, signed=True) == "−12,3\xa0K"
    assert german.diff(-0.04) == "0,0\xa0K"
    assert german.number(None) == german.number(float("nan")) == "–"


def test_the_first_page_in_german_has_its_own_sentences_in_the_units_asked() -> None:
    inspection = build_inspection(60, flagged=4)
    page = first_page(inspection, Shown("de", "F"))
    finding = page.found[0].finding
    assert finding.excess_k is not None
    amount = f"{abs(finding.excess_k) * 1.8:.1f}".replace(".", ",")
    assert page.found[0].sentence.startswith(f"{finding.ref} ist {amount}\xa0°F wärmer als")
    assert not re.search(r"\b(the|and|than)\b", " ".join([*page.looked[:1], *page.do, *page.cannot, page.not_compared]))


def test_before_and_after_stand_on_the_first_page_in_words() -> None:
    from dataclasses import replace

    from thermscan.judge.before_after import BeforeAfter, Change, Outcome

    better = Change("U7", -9.2, 0.4, -23.0, "hot", "normal", Outcome.BETTER)
    same = Change("U1", 0.1, 0.4, 0.2, "normal", "normal", Outcome.SAME)
    inspection = replace(build_inspection(12, flagged=1, shape=(24, 32)), before=BeforeAfter((same, better), 1.0, 0.2))
    told = first_page(inspection, Shown()).changed
    assert told[0] == "Against the look before: 1 better, 1 unchanged."
    assert told[1].startswith("U7 better: 9.2\xa0K cooler by its own heat (±\xa00.8\xa0K")
    assert told[1].endswith("hot before, normal now.")
    assert len(told) == 2
    assert "vorher heiß, jetzt normal" in first_page(inspection, Shown("de")).changed[1]
