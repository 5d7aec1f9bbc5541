import re

import analyze.fit.reasons
import calibrate.reasons
import tracker.reasons
from analyze.errors import REASONS


def test_reasons_of_all_stages_are_gathered_once():
    every = (*calibrate.reasons.REASONS, *tracker.reasons.REASONS, *analyze.fit.reasons.REASONS)
    assert set(REASONS.values()) == set(every)
    assert len(REASONS) == len(every), "two reasons share a slug"


def test_every_reason_of_this_stage_is_listed():
    defined = {value for value in vars(analyze.fit.reasons).values() if type(value).__name__ == "Reason"}
    assert defined == set(analyze.fit.reasons.REASONS)


def test_reasons_read_as_sentences():
    for slug, reason in REASONS.items():
        assert slug == reason.slug
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", slug)
        for text in (reason.sentence, reason.advice):
            assert text[0].isupper() or text[0].isdigit(), text
            assert text.endswith("."), text
