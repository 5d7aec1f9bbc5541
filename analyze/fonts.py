"""Names in any script: what the pictures' own font lacks is drawn with a font of this machine, or as a box."""

from collections.abc import Iterable
from functools import cache

from matplotlib import font_manager
from matplotlib.figure import Figure
from matplotlib.text import Text

OWN_FAMILY = "DejaVu Sans"  # comes with matplotlib
BOX = "□"  # in its place where no font has a character; the pictures' own font has this one
# A font that has a box with a code for every character there is, so that it is never "missing".
_BOXES_ONLY = "Last Resort"


def show_every_name(figure: Figure) -> None:
    """Give the texts of a figure fonts that have their characters; put a box where no font has one.

    Parameters
    ----------
    figure : Figure
        With all its texts; those whose characters the pictures' own font has stay as they are.
    """
    for text in figure.findobj(Text):
        lacking = _lacking(text.get_text())
        if not lacking:
            continue
        families, nowhere = _families(lacking)
        text.set_fontfamily([OWN_FAMILY, *families])
        text.set_text(_with_boxes(text.get_text(), nowhere))
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            names = [label.get_text() for label in axis.get_ticklabels()]
            boxed = [_with_boxes(name, _families(_lacking(name))[1]) for name in names]
            if boxed != names:  # what is written on a tick alone is lost the next time it is drawn
                axis.set_ticklabels(boxed)


def _with_boxes(text: str, nowhere: str) -> str:
    return text.translate(dict.fromkeys(map(ord, nowhere), BOX)) if nowhere else text


def _lacking(text: str) -> str:
    """Characters that the pictures' own font does not have, each once."""
    if text.isascii():
        return ""
    return "".join(sorted(c for c in set(text) if ord(c) not in _own_characters() and not c.isspace()))


@cache
def _own_characters() -> frozenset[int]:
    return _characters(font_manager.findfont(OWN_FAMILY))


def _characters(path: str) -> frozenset[int]:
    return frozenset(font_manager.get_font(path).get_charmap())


@cache
def _families(lacking: str) -> tuple[tuple[str, ...], str]:
    """Families of this machine that have these characters, the one with most first, and those that none has."""
    # the file of a family that is drawn, whatever their order: a bold one may lack the character
    upright = sorted(_upright(font_manager.fontManager.ttflist), key=_off_normal_weight, reverse=True)
    fonts = {font.name: font.fname for font in upright}
    has = {name: _characters(path) & set(map(ord, lacking)) for name, path in sorted(fonts.items())}
    chosen, wanted = [], set(map(ord, lacking))
    while wanted and has:
        name = max(has, key=lambda family: len(has[family] & wanted))
        if not has[name] & wanted:
            break
        chosen.append(name)
        wanted -= has[name]
    return tuple(chosen), "".join(map(chr, sorted(wanted)))


def _upright(fonts: Iterable[font_manager.FontEntry]) -> list[font_manager.FontEntry]:
    return [font for font in fonts if font.style == "normal" and not font.name.startswith(_BOXES_ONLY)]


def _off_normal_weight(font: font_manager.FontEntry) -> int:
    weights = font_manager.weight_dict
    weight = weights[font.weight] if isinstance(font.weight, str) else font.weight
    return abs(int(weight) - weights["normal"])
