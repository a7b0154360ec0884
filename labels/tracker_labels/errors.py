"""What this package says when it cannot do as asked: what, why, and what to do instead."""

from __future__ import annotations


class LabelError(ValueError):
    """A label, a picture or a request that cannot be used as it is.

    Args:
        what: What was refused, with the value concerned.
        why: The reason, if ``what`` does not already hold it.
        do: What to change next.

    The text is always one line, so that it can be shown as it stands.
    """

    def __init__(self, what: str, *, why: str = "", do: str = "") -> None:
        self.what = what
        self.why = why
        self.do = do
        head = f"{what}: {why}" if why else what
        text = f"{head.rstrip('.')}. {do}" if do else head
        super().__init__(" ".join(text.split()))


class StockError(LabelError):
    """A label stock that is unknown, or whose file does not describe a possible page."""
