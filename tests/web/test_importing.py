"""An old spreadsheet brought in from the page, by what a person sees."""

from __future__ import annotations

from tests.desk.bench import entries
from tests.web.person import Person
from tests.web.site import Browser, Site

SHEET = b"material,lies,plate,force\nNordlicht ASA,XYZ,old 1,1830\nNordlicht ASA,XYZ,old 1,1790\n"
MAP = """[specimen]
material = "material"
orientation = "lies"
plate = ["plate"]

[readings.tensile]
max_force = { column = "force", unit = "N" }
"""


def test_a_spreadsheet_is_looked_at_and_then_brought_in(site: Site, browser: Browser) -> None:
    """Its column map typed on the page; a slip in it costs neither the sheet nor what was typed."""
    person, before = Person(browser), entries(site.book)
    person.opens("/import")
    seen = person.presses(
        "Look at what it would make",
        {"The map's text": MAP.replace('"force"', '"strength"')},
        {"Spreadsheet": [("old.csv", SHEET)]},
    )
    assert "old.csv is here" in seen.text
    assert "[readings.tensile]" in seen.text
    seen = person.presses("Look at what it would make", {"The map's text": MAP})
    assert "1 job, 2 specimens, 2 measurements" in seen.text
    assert entries(site.book) == before
    seen = person.presses("Bring it in")
    if "right?" in seen.text:
        seen = person.presses("Yes, it is right")
    assert "Brought in: 1 job, 2 specimens, 2 measurements" in seen.text
    assert entries(site.book) == before + 1
