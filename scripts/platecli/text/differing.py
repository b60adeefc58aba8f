"""Differences of products in lines of text."""

from collections.abc import Iterator, Sequence

from platefiles.audit.product_differences import CardDifference, ProductDifference

SHOWN_CARDS = 12
_WIDEST = 40


def difference_lines(found: ProductDifference) -> Iterator[str]:
    """Say in which planes, tables and cards two products differ, and by how much.

    Parameters
    ----------
    found : ProductDifference
    """
    yield from found.one_sided
    planes = [plane for plane in found.planes if plane.values.differing]
    rows = [("plane", "pixels that differ", "max abs", "rms")]
    rows += [
        (
            plane.name,
            f"{plane.values.differing} of {plane.values.pixels} ({percent(plane.values.share)})",
            f"{plane.values.max_abs:.4g}",
            f"{plane.values.rms:.4g}",
        )
        for plane in planes
    ]
    if planes:
        yield from columns(rows)
    for table in found.tables:
        if not table.same:
            rows_of = (
                "" if len(set(table.rows)) == 1 else f"{table.rows[0]} and {table.rows[1]} rows "
            )
            yield f"table {table.name}: {rows_of}{', '.join(table.columns)}"
    yield from _card_lines(found.cards)


def _card_lines(cards: Sequence[CardDifference]) -> Iterator[str]:
    for card in cards[:SHOWN_CARDS]:
        yield f"{card.hdu} {card.keyword}: {_word(card.first)} -> {_word(card.second)}"
    if cards[SHOWN_CARDS:]:
        yield f"and {len(cards) - SHOWN_CARDS} more cards"


def percent(share: float) -> str:
    """Write a share as a percentage of four digits, so that a single pixel shows."""
    return f"{100 * share:.4g} %"


def columns(rows: Sequence[tuple[str, ...]]) -> Iterator[str]:
    """Lay rows of text out in columns, two blanks apart.

    Parameters
    ----------
    rows : sequence of tuple of str
        Of one length each.
    """
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = [f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)]
        yield "  ".join(cells).rstrip()


def _word(value: object) -> str:
    text = "none" if value is None else str(value)
    return text if len(text) <= _WIDEST else f"{text[: _WIDEST - 1]}…"
