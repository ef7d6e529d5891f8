"""A terminal's screen, as far as the view uses it: CR, LF, CUU, EL and ED of ECMA-48, and lines
that wrap. Written from the standard, and not from the view."""

from __future__ import annotations

import io
import re

from rich.cells import cell_len

PART = re.compile(r"\x1b\[(?P<number>[0-9;]*)(?P<code>[A-Za-z])|(?P<char>.)", re.DOTALL)


class Screen(io.StringIO):
    """What a console writes to. `rows` is everything since the beginning, what has scrolled out of
    the top as well; the last `height` of them are to be seen."""

    def __init__(self, width: int, height: int) -> None:
        super().__init__()
        self.width, self.height = width, height
        self.rows: list[str] = [""]
        self.row = self.column = 0
        self.writes = 0

    def write(self, text: str, /) -> int:
        """Interpret it."""
        self.writes += 1
        for part in PART.finditer(text):
            if part["char"] is not None:
                self._char(part["char"])
            else:
                self._control(part["code"], part["number"])
        return len(text)

    @property
    def top(self) -> int:
        """The first row that is to be seen."""
        return max(0, len(self.rows) - self.height)

    @property
    def seen(self) -> list[str]:
        """The rows on the screen."""
        return [row.rstrip() for row in self.rows[self.top :]]

    def _char(self, char: str) -> None:
        if char == "\r":
            self.column = 0
        elif char == "\n":
            self.row, self.column = self.row + 1, 0  # the terminal's driver adds the CR
        else:
            wide = cell_len(char)
            if self.column + wide > self.width:
                self._char("\n")
            self._line()
            line = self.rows[self.row].ljust(self.column)
            self.rows[self.row] = line[: self.column] + char + line[self.column + 1 :]
            self.column += 1
        self._line()

    def _line(self) -> None:
        while self.row >= len(self.rows):
            self.rows.append("")

    def _control(self, code: str, number: str) -> None:
        if code == "A":  # CUU stops at the top
            self.row = max(self.top, self.row - int(number or 1))
        elif code == "K":
            assert number in ("", "0")
            self.rows[self.row] = self.rows[self.row][: self.column]
        elif code == "J":
            assert number in ("", "0")
            self.rows[self.row] = self.rows[self.row][: self.column]
            # Erased rows are still rows of the screen.
            self.rows[self.row + 1 :] = [""] * len(self.rows[self.row + 1 :])
        else:
            assert code == "m", f"{code} is not used"
