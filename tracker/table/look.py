"""One calm look for every page that leaves the book: paper, ink, thin rules, nothing from outside."""

from __future__ import annotations

import html
from typing import Final

STYLE: Final = """
:root{color-scheme:light dark;--ink:#26323a;--paper:#fbfaf7;--faint:#68737b;--rule:#d5d8d6;--link:#1f5f7a;
--tint:#eef2ef}
@media (prefers-color-scheme:dark){:root{--ink:#dfe4e2;--paper:#1b2226;--faint:#9aa5ab;--rule:#3a454b;
--link:#8cc4dd;--tint:#232c31}}
body{font:16px/1.5 system-ui,sans-serif;color:var(--ink);background:var(--paper);margin:0 auto;
padding:1.2rem 1.2rem 3rem;max-width:78rem}
h1{font-size:1.5rem;margin:.4rem 0 1rem}h2{font-size:1.15rem;margin:2rem 0 .6rem}
a{color:var(--link)}nav,footer,.faint{color:var(--faint);font-size:.9rem}
footer{border-top:1px solid var(--rule);margin-top:2.5rem;padding-top:.8rem;max-width:60rem}
.wide{overflow-x:auto}table{border-collapse:collapse;font-size:.92rem}
th,td{border-bottom:1px solid var(--rule);padding:.35em .8em .35em 0;text-align:left;vertical-align:top}
thead th{font-weight:600;border-bottom-width:2px}
td{font-variant-numeric:tabular-nums;min-width:4rem}.n{white-space:nowrap}td:first-child,td:nth-child(2){min-width:8rem}
td:nth-child(n+5):last-child:not(.n){min-width:34rem}
img{max-width:100%;height:auto;background:#fff}
dl{display:grid;grid-template-columns:max-content 1fr;gap:.25rem 1rem;margin:0}
dt{color:var(--faint)}dd{margin:0}dd dl{margin:.2rem 0;font-size:.92rem}
.aside{color:var(--faint)}
@media (max-width:40rem){dl{grid-template-columns:1fr;gap:0}dd{margin:0 0 .5rem}}
"""


def html_page(title: str, body: str, foot: str, above: str = "") -> str:
    """Return a page that needs nothing beside itself.

    Args:
        title: Of the page, as text.
        body: Markup.
        foot: Cautions, as text.
        above: Markup over the title: where the reader is.
    """
    nav = f"<nav>{above}</nav>\n" if above else ""
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{html.escape(title)}</title><style>{STYLE}</style></head><body>\n"
        f"{nav}<main><h1>{html.escape(title)}</h1>\n{body}\n</main>\n"
        f"<footer><p>{html.escape(foot)}</p></footer>\n</body></html>\n"
    )
