"""What a page is built of: sections of paragraphs, lists, tables and pictures; the template draws them."""

from collections.abc import Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """A paragraph.

    Attributes
    ----------
    text : str
        Plain text.
    weight : str
        ``lead`` for the answer, ``small`` for a remark, else empty.
    """

    text: str
    weight: str = ""
    kind: str = field(default="paragraph", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """A list of sentences."""

    items: tuple[str, ...]
    kind: str = field(default="bullets", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture.

    Attributes
    ----------
    uri : str
        Its data URI.
    caption : str
        What stands below it.
    words : str
        What it shows, for those who cannot see it.
    """

    uri: str
    caption: str
    words: str
    kind: str = field(default="picture", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A table of texts.

    Attributes
    ----------
    caption : str
        What stands above it.
    head : tuple of str
        Names of the columns.
    rows : tuple of tuple of str
        Cells; each row as long as the head.
    words : frozenset of int
        Columns that hold words, set to the left; the others hold numbers, to the right.
    dense : bool
        Whether it is long and set small.
    marked : frozenset of int
        Rows to be set off from the others.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: frozenset[int] = frozenset({0})
    dense: bool = False
    marked: frozenset[int] = frozenset()
    kind: str = field(default="grid", init=False)

    def __post_init__(self) -> None:
        """Refuse rows that do not fit the head."""
        for row in self.rows:
            if len(row) != len(self.head):
                raise ValueError(f"a row must have {len(self.head)} cells, but got {len(row)}")


Block = Paragraph | Bullets | Picture | Grid


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A section of the page.

    Attributes
    ----------
    slug : str
        Its anchor.
    title : str
        Its heading.
    blocks : tuple of Block
        What is in it.
    """

    slug: str
    title: str
    blocks: tuple[Block, ...]


def paragraphs(texts: Sequence[str], weight: str = "") -> tuple[Paragraph, ...]:
    """One paragraph a text; empty ones are left out."""
    return tuple(Paragraph(text=text, weight=weight) for text in texts if text)
