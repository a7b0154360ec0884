"""The book's summary as a folder of pages and open data, for readers who have nothing but a browser.

``leaving`` decides what may leave, ``gathering`` reads what is published, ``evidence`` what is behind one
number; ``tables`` are the open data and ``describing`` what they say of themselves; ``pages`` and ``drawing``
are read by people; ``site`` goes through it all, ``manifest`` puts it in place; ``checking`` computes it
again from the folder alone. Nothing is fetched from anywhere: the pages work from a disk.
"""

from __future__ import annotations

from tracker.publish.gathering import LICENCES
from tracker.publish.leaving import Choice
from tracker.publish.site import Published, choose_publication, publish

__all__ = ["LICENCES", "Choice", "Published", "choose_publication", "publish"]
