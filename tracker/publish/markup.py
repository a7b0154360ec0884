"""Small pieces of markup; every text that people typed is escaped here."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from urllib.parse import quote


def esc(text: object) -> str:
    """Return text that stands in markup as it was typed."""
    return html.escape(str(text))


def link(path: str, text: object) -> str:
    """Return a link to a file of the site, from the page's own folder."""
    return f'<a href="{esc(quote(path, safe="/#."))}">{esc(text)}</a>'


def picture(path: str, text: str) -> str:
    """Return a picture, with words for those who cannot see it."""
    return f'<p><img src="{esc(quote(path))}" alt="{esc(text)}" loading="lazy"></p>'


def grid(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table; its cells are markup already."""
    said = "".join(f'<th scope="col">{esc(each)}</th>' for each in head)
    body = "".join(f"<tr>{''.join(f'<td>{each}</td>' for each in row)}</tr>\n" for row in rows)
    return (
        f'<div class="wide" tabindex="0"><table><thead><tr>{said}</tr></thead>\n'
        f"<tbody>\n{body}</tbody></table></div>"
    )


def listed(texts: Iterable[str]) -> str:
    """Return a list; its items are markup already."""
    return f"<ul>{''.join(f'<li>{each}</li>' for each in texts)}</ul>"
