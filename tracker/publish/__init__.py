"""The book's summary as a folder of pages and open data, for readers who have nothing but a browser.

``gathering`` says what is published, ``site`` goes through it, ``pages`` and ``measurementpage`` write what
is read, ``opendata`` what is computed with, ``folder`` puts it all in place at once. Nothing is fetched from
anywhere: the pages work from a disk.
"""

from __future__ import annotations

from tracker.publish.site import Published, publish

__all__ = ["Published", "publish"]
