"""The pictures of docs/how-waves-are-sized.md: their numbers, and words for who cannot see them."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Final
from xml.etree import ElementTree

import pytest
from scipy import stats

from .markdown import ROOT, read

PICTURES: Final = ROOT / "docs" / "pictures"
PAGE: Final = read(ROOT / "docs" / "how-waves-are-sized.md")
SVG: Final = "{http://www.w3.org/2000/svg}"
NAMES = ("fault-rate.svg", "waves-of-twins.svg")


def drawn(name: str) -> ElementTree.Element:
    return ElementTree.parse(PICTURES / name).getroot()  # noqa: S314 - a file of ours


def of_class(picture: ElementTree.Element, word: str) -> list[ElementTree.Element]:
    return [one for one in picture.iter() if word in one.get("class", "").split()]


def number(text: str | None) -> float:
    return float((text or "").removesuffix(" %"))


def scale(picture: ElementTree.Element, axis: str, at: str) -> tuple[float, float]:
    """Zero and unit of an axis in the picture, by its own numbers: those that a reader goes by."""
    labels = of_class(picture, axis)
    first, last = labels[0], labels[-1]
    unit = (float(last.get(at, "")) - float(first.get(at, ""))) / (
        number(last.text) - number(first.text)
    )
    return float(first.get(at, "")) - number(first.text) * unit, unit


def test_they_are_what_the_script_draws() -> None:
    check = subprocess.run(
        [sys.executable, str(ROOT / "docs" / "pictures.py"), "--check"],
        capture_output=True,
        text=True,
    )
    assert check.returncode == 0, check.stderr
    assert {path.name for path in PICTURES.iterdir()} == set(NAMES)


@pytest.mark.parametrize("faults", [0, 1, 2])
def test_the_bound_as_it_is_drawn(faults: int) -> None:
    # Source: scipy.stats.beta, as the exact bound of Clopper and Pearson (1934).
    picture = drawn("fault-rate.svg")
    (line,) = of_class(picture, f"faults-{faults}")
    zero_x, moved = scale(picture, "across", "x")
    # Numbers on the left stand so that their middle, not their foot, is at the line.
    rules = sorted({float(one.get("y1", "")) for one in picture.iter(f"{SVG}line")}, reverse=True)
    labels = sorted(of_class(picture, "level"), key=lambda one: number(one.text))
    zero_y, percent = rules[0], (rules[0] - min(rules)) / number(labels[-1].text)
    points = [tuple(map(float, point.split(","))) for point in line.get("points", "").split()]
    assert len(points) == 61 - faults
    for x, y in points:
        moves = round((x - zero_x) / moved)
        assert x == pytest.approx(zero_x + moves * moved, abs=0.02)
        exact = 1.0 if moves == faults else stats.beta.ppf(0.95, faults + 1, moves - faults)
        assert (zero_y - y) / percent == pytest.approx(100 * exact, abs=0.02)


def test_lines_differ_by_more_than_colour() -> None:
    picture = drawn("fault-rate.svg")
    dashes = {
        one.get("stroke-dasharray") for n in range(3) for one in of_class(picture, f"faults-{n}")
    }
    assert len(dashes) == 3


def test_the_waves_as_they_are_drawn() -> None:
    sizes = [int(one) for one in re.findall(r"^    ((?:\d+ )+\d+)$", PAGE, re.M)[0].split()]
    picture = drawn("waves-of-twins.svg")
    bars = of_class(picture, "wave")
    rules = sorted({float(one.get("y1", "")) for one in picture.iter(f"{SVG}line")}, reverse=True)
    unit = (rules[0] - min(rules)) / max(number(one.text) for one in of_class(picture, "level"))
    assert [float(bar.get("height", "")) / unit for bar in bars] == pytest.approx(sizes, abs=0.01)


@pytest.mark.parametrize("name", NAMES)
def test_words_for_those_who_do_not_see_it(name: str) -> None:
    picture = drawn(name)
    title, about = picture.find(f"{SVG}title"), picture.find(f"{SVG}desc")
    assert title is not None and about is not None  # noqa: PT018
    assert title.text and about.text  # noqa: PT018
    assert picture.get("role") == "img"
    assert picture.get("aria-labelledby", "").split() == [title.get("id"), about.get("id")]
    alternative = re.search(rf"!\[([^\]]+)\]\(pictures/{re.escape(name)}\)", PAGE)
    assert alternative is not None
    assert len(alternative[1]) > 80


def test_numbers_in_the_words() -> None:
    about = drawn("fault-rate.svg").find(f"{SVG}desc")
    assert about is not None
    text = re.search(r"!\[([^\]]+)\]\(pictures/fault-rate\.svg\)", PAGE)
    assert text is not None
    for words in (about.text or "", " ".join(text[1].split())):
        for moves in (10, 30, 59):
            # Never less than the exact bound: it is told as "at most".
            whole = round(100 * stats.beta.ppf(0.95, 1, moves))
            assert 100 * stats.beta.ppf(0.95, 1, moves) <= whole
            assert re.search(rf"\b{whole} % after {moves}\b", words), (moves, words)


def test_they_bring_their_own_paper() -> None:
    # They stand on light and dark pages alike, so nothing may depend on what is behind them.
    for name in NAMES:
        picture = drawn(name)
        paper = picture.find(f"{SVG}rect")
        assert paper is not None
        _, _, width, height = map(float, picture.get("viewBox", "").split())
        assert float(paper.get("width", "")) >= width - 1
        assert float(paper.get("height", "")) >= height - 1
        ink, ground = (_luminance(one) for one in (_ink(picture), paper.get("fill", "")))
        # Source: WCAG 2.2, 1.4.3: 4.5 to 1 for text.
        assert (max(ink, ground) + 0.05) / (min(ink, ground) + 0.05) >= 4.5


def _ink(picture: ElementTree.Element) -> str:
    (colour,) = {one.get("fill", "") for one in picture.iter(f"{SVG}text")}
    return colour


def _luminance(colour: str) -> float:
    """Relative luminance of #rrggbb. Source: WCAG 2.2, glossary."""
    parts = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    red, green, blue = (
        one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_a_picture_that_is_stale_is_told(tmp_path: Path) -> None:
    shutil.copy(ROOT / "docs" / "pictures.py", tmp_path)
    shutil.copytree(PICTURES, tmp_path / "pictures")
    stale = tmp_path / "pictures" / NAMES[0]
    stale.write_text(read(stale).replace("26 %", "27 %"), encoding="utf-8")
    check = subprocess.run(
        [sys.executable, str(tmp_path / "pictures.py"), "--check"], capture_output=True, text=True
    )
    assert check.returncode == 1
    assert NAMES[0] in check.stderr
    assert NAMES[1] not in check.stderr
