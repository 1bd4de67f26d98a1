"""The drawings of the graph, by what can be read in them."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from small_base import SmallBase, write_base

from advisor.cli import main
from advisor.drawing import draw_base, draw_symptom

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def base(tmp_path: Path) -> SmallBase:
    return write_base(tmp_path)


def words(path: Path) -> list[str]:
    """Every text of an SVG."""
    return ["".join(node.itertext()).strip() for node in ET.parse(path).getroot().iter(f"{SVG}text")]


def widths(path: Path) -> list[float]:
    """Width of every stroked line."""
    return [float(w) for w in re.findall(r"stroke-width: ([0-9.]+)", path.read_text("utf-8"))]


def test_a_symptom_is_drawn_with_its_causes_and_checks_as_text(base: SmallBase, tmp_path: Path) -> None:
    path = tmp_path / "chips.svg"
    draw_symptom(base.load(), "chips", path)
    found = words(path)
    assert {"Margin chipped", "Burr worn", "Burr not clamped"} <= set(found)
    assert {"Edge of the burr: blunt", "Hold of the burr: moves", "Since when: gradual / sudden"} <= set(found)
    assert "likeliest causes (2 of 2)" in found
    assert not any("Air" in w for w in found)


def test_a_long_title_is_wrapped_and_keeps_its_words(base: SmallBase, tmp_path: Path) -> None:
    path = tmp_path / "slow.svg"
    draw_symptom(base.load(), "slow-cut", path)
    assert "Cutting takes longer than usual" in " ".join(words(path))


def test_a_link_that_shows_more_often_is_drawn_wider(base: SmallBase, tmp_path: Path) -> None:
    path = tmp_path / "chips.svg"
    draw_symptom(base.load(), "chips", path)
    # chips: very frequent and frequent; blunt and moves very frequent; gradual and sudden frequent.
    assert sorted(widths(path)) == [pytest.approx(w) for w in [0.4 + 2.6 * 0.5] * 3 + [0.4 + 2.6 * 0.9] * 3]


def test_only_the_likeliest_causes_are_drawn_when_there_are_too_many(base: SmallBase, tmp_path: Path) -> None:
    path = tmp_path / "chips.svg"
    draw_symptom(base.load(), "chips", path, causes=1)
    found = words(path)
    assert "Burr worn" in found  # 12 of 100 very frequently, against 5 frequently
    assert "Burr not clamped" not in found
    assert "likeliest causes (1 of 2)" in found


def test_the_same_base_makes_the_same_drawing(base: SmallBase, tmp_path: Path) -> None:
    for name in ("one", "two"):
        draw_symptom(base.load(), "chips", tmp_path / name)
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()


def test_the_whole_base_is_drawn_with_every_cause_symptom_and_link(base: SmallBase, tmp_path: Path) -> None:
    path = tmp_path / "all.svg"
    kb = base.load()
    draw_base(kb, path)
    found = set(words(path))
    assert {c.title for c in kb.causes.values()} | {s.title for s in kb.symptoms.values()} <= found
    assert {"burr", "air"} <= found
    # A patch for each link to a symptom: two very frequent, 0.88 - 0.8 x 0.9 of white, two frequent, 0.48 of white.
    greys = [g for g in re.findall(r"fill: #([0-9a-f]{6})", path.read_text("utf-8")) if g != "ffffff"]
    assert [greys.count(f"{round(255 * white):02x}" * 3) for white in (0.16, 0.48)] == [2, 2]


def test_signs_of_markup_and_of_formulas_in_a_title_are_only_text(base: SmallBase, tmp_path: Path) -> None:
    base.replace("causes/burr/burr-worn.yaml", "title: Burr worn", "title: 'Burr <worn> & $x_1^$'")
    draw_symptom(base.load(), "chips", tmp_path / "one.svg")
    draw_base(base.load(), tmp_path / "two.svg")
    assert all("Burr <worn> & $x_1^$" in words(tmp_path / name) for name in ("one.svg", "two.svg"))


def test_a_symptom_without_causes_is_drawn_alone(base: SmallBase, tmp_path: Path) -> None:
    more = "  - {id: loud, title: It is loud, family: margins, say: [hums, howls, sings], ask: Is it loud?}\n"
    base.write("symptoms.yaml", base.text("symptoms.yaml") + more)
    draw_symptom(base.load(), "loud", tmp_path / "loud.svg")
    assert {"It is loud", "likeliest causes (0 of 0)"} <= set(words(tmp_path / "loud.svg"))


# -- the command ------------------------------------------------------------------------------------------------------


def graph(capsys: pytest.CaptureFixture[str], base: SmallBase, *argv: object) -> tuple[int, str, str]:
    code = main(["knowledge", "graph", "--knowledge", str(base.root), *map(str, argv)])
    out = capsys.readouterr()
    return code, out.out, out.err


@pytest.mark.parametrize(
    ("argv", "title"), [(("--symptom", "chips"), "Burr worn"), ((), "Air pressure too low")], ids=["symptom", "all"]
)
def test_the_command_writes_the_drawing_and_says_where(
    capsys: pytest.CaptureFixture[str], base: SmallBase, tmp_path: Path, argv: tuple[str, ...], title: str
) -> None:
    path = tmp_path / "out.svg"
    assert graph(capsys, base, *argv, "--svg", path) == (0, f"Drawn: {path}\n", "")
    assert title in words(path)


def test_an_unknown_symptom_is_told_in_one_line_with_the_nearest(
    capsys: pytest.CaptureFixture[str], base: SmallBase, tmp_path: Path
) -> None:
    code, out, err = graph(capsys, base, "--symptom", "chip", "--svg", tmp_path / "out.svg")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert "'chip'" in err
    assert "chips" in err
    assert not (tmp_path / "out.svg").exists()


@pytest.mark.parametrize("symptom", [(), ("--symptom", "chips")], ids=["all", "symptom"])
def test_a_file_that_cannot_be_written_is_told_in_one_line(
    capsys: pytest.CaptureFixture[str], base: SmallBase, tmp_path: Path, symptom: tuple[str, ...]
) -> None:
    for path in (tmp_path, tmp_path / "nowhere" / "out.svg"):
        code, out, err = graph(capsys, base, *symptom, "--svg", path)
        assert (code, out, err.count("\n")) == (1, "", 1)
        assert err.startswith(f"{path} cannot be written: ")
