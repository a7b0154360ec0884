"""The one base class for everything the person at the bench can mend."""

from __future__ import annotations


class Refused(Exception):  # noqa: N818 - a refusal is an answer, not a failure of the program
    """Something was asked that cannot be done as asked; the text says what to do instead.

    Args:
        what: What was refused, with the value or ID concerned.
        why: The reason, if ``what`` does not already hold it.
        do: What to type or change next.

    Raising code chains the cause: ``raise Refused(...) from error``. The edges
    (command line, web page) print ``str(refusal)`` as it stands, on one line.
    """

    def __init__(self, what: str, *, why: str = "", do: str = "") -> None:
        self.what = what
        self.why = why
        self.do = do
        head = f"{what}: {why}" if why else what
        # A reason may itself be a refusal that ends in a question: "Did you mean …?"
        end = "" if head.endswith("?") else "."
        text = f"{head.rstrip('.')}{end} {do}" if do else head
        # One refusal is one line, whatever a name with line breaks was typed into it.
        super().__init__(" ".join(text.split()))
