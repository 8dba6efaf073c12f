"""The one refusal of scan reading."""

from __future__ import annotations


class ScanUnreadable(Exception):  # noqa: N818  (a refusal in the language of the desk, not an error of ours)
    """These bytes, or these options for them, give no scan: `code` is stable, `text` says what and where."""

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.code = code
        self.text = text
