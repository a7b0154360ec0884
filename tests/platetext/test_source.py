"""Text in whole lines, every line end one line feed."""

from __future__ import annotations

import io
import re

from hypothesis import given
from hypothesis import strategies as st

from tracker.platetext.source import chunks

pieces = st.lists(st.sampled_from([b"\n", b"\r", b"\r\n", b"\r\r\n", b"G1", b" X1", b";"]), max_size=40)


@given(pieces, st.integers(1, 60))
def test_line_ends_of_every_kind_become_line_feeds(parts: list[bytes], size: int) -> None:
    """Returns before a feed or alone: in pieces of any size the lines are the same, but for empty ones."""
    text = b"".join(parts)
    lines = re.sub(rb"\r+\n|\r", b"\n", text).split(b"\n")
    found = b"".join(chunks(io.BytesIO(text), size))

    assert [line for line in found.split(b"\n") if line] == [line for line in lines if line]
