"""Names with characters that the pictures' own font lacks: drawn with another font or as a box, no warning."""

import pytest
from matplotlib import font_manager
from matplotlib.figure import Figure

from analyze.fonts import BOX, OWN_FAMILY, _families, show_every_name

# Of the fonts that come with matplotlib only one of the STIX family has this sign (a watch).
ONLY_IN_STIX = "\u231a"
IN_NO_FONT = "\U0010fff0"  # for private use


def drawn(name: str) -> tuple[str, list[str]]:
    """A condition's name on a tick and in a legend, as it is drawn: its text and families."""
    figure = Figure(layout="constrained")
    axes = figure.add_subplot()
    axes.plot([0, 1], [0, 1], label=name)
    axes.legend()
    axes.set_yticks([0], [name])
    show_every_name(figure)
    figure.canvas.draw()  # a warning of a missing character is an error here
    (label,) = axes.get_yticklabels()
    (legend,) = axes.get_legend().get_texts()
    assert label.get_text() == legend.get_text()
    return label.get_text(), label.get_fontfamily()


@pytest.mark.parametrize("name", ["A", "Größe", "твёрдый", "5 £ ¾ → ±"])
def test_names_that_the_pictures_font_has_stay_as_they_are(name):
    assert drawn(name) == (name, ["sans-serif"])


def test_a_character_that_another_font_of_the_machine_has_is_drawn_with_it():
    text, families = drawn(f"tip {ONLY_IN_STIX}")
    assert text == f"tip {ONLY_IN_STIX}"
    assert families[0] == OWN_FAMILY
    others = [font_manager.get_font(font_manager.findfont(name)).get_charmap() for name in families[1:]]
    assert any(ord(ONLY_IN_STIX) in characters for characters in others)


def test_which_file_of_a_family_is_listed_first_does_not_matter(monkeypatch):
    """The bold file of that family lacks the sign."""
    listed = font_manager.fontManager.ttflist
    for order in (listed, listed[::-1]):
        monkeypatch.setattr(font_manager.fontManager, "ttflist", order)
        _families.cache_clear()
        assert drawn(f"tip {ONLY_IN_STIX}")[0] == f"tip {ONLY_IN_STIX}"


def test_a_character_that_no_font_has_becomes_a_box():
    assert drawn(f"tip {IN_NO_FONT}")[0] == f"tip {BOX}"
