"""Drawing positions in stage files: the format, and what is wrong said in one sentence."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from synth.catalog import catalog_folder, load_stage, stage, stages
from synth.cli.main import run
from synth.drawing.symbols import op_amp_pins
from synth.errors import CatalogError
from synth.positions import Place, read_positions

NETWORK = stage("sallen-key-lowpass-unity").network
GOOD = {
    "U1": [0, 0, "plus"],
    "R1": [-11, 1, "right"],
    "R2": [-7, 1, "right"],
    "C1": [-3, 4, "right"],
    "C2": [-3, 1, "down"],
}


def test_a_table_is_read() -> None:
    placement = read_positions({**GOOD, "output": [7, 0]}, NETWORK)
    assert placement.places["C2"] == Place(-3, 1, "down")
    assert placement.places["output"] == Place(7, 0, "right")


WRONG = {
    "no such part": ({"R9": [0, 0, "right"]}, "nothing is called R9"),
    "no list": ({"R1": "left"}, "R1 = 'left' is no place; write it as [x, y, \"right\"]"),
    "no direction": ({"R1": [0, 0]}, "R1 = [0, 0] is no place"),
    "a direction too many": ({"output": [0, 0, "right"]}, "write it as [x, y]"),
    "half a step": ({"R1": [0.5, 0, "right"]}, "coordinate 0.5 of R1 must be a whole number"),
    "no number": ({"R1": [True, 0, "right"]}, "coordinate True of R1"),
    "far away": ({"R1": [0, 1001, "right"]}, "between -1000 and 1000"),
    "a word of an op amp": ({"R1": [0, 0, "plus"]}, "R1 cannot face 'plus'"),
    "a word of a part": ({"U1": [0, 0, "up"]}, "U1 cannot face 'up'; choose one of minus, plus"),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_is_named(name) -> None:
    change, words = WRONG[name]
    with pytest.raises(CatalogError) as caught:
        read_positions({**GOOD, **change}, NETWORK)
    assert words in str(caught.value)
    assert str(caught.value).startswith("key drawing: ")


def test_a_missing_part_is_named() -> None:
    with pytest.raises(CatalogError, match="no place for C1, U1, output"):
        read_positions({n: p for n, p in GOOD.items() if n not in ("C1", "U1")}, NETWORK)


ROOM = {
    "all at one point": (
        {n: [0, 0, "plus" if n == "U1" else "right"] for n in GOOD},
        "R1 and R2 overlap; move one of them",
    ),
    "a part on the op amp": ({"C2": [1, 0, "right"]}, "C2 and U1 overlap"),
    "bodies that cross": ({"C1": [-11, 1, "right"]}, "R1 and C1 overlap"),
}


@pytest.mark.parametrize("name", ROOM)
def test_symbols_without_room_are_refused(name) -> None:
    change, words = ROOM[name]
    with pytest.raises(CatalogError) as caught:
        read_positions({**GOOD, "output": [7, 0], **change}, NETWORK)
    assert str(caught.value).startswith("key drawing: ")
    assert words in str(caught.value)


def test_a_stage_of_ones_own_with_impossible_places_is_named(tmp_path, monkeypatch, capsys) -> None:
    source = next(catalog_folder(Path(load_stage.__code__.co_filename).parent).rglob("twin-t.toml"))
    text = source.read_text().replace('name = "twin-t"', 'name = "buoy-t"')
    (tmp_path / "buoy-t.toml").write_text(text.replace("\noutput = [10, 4]", ""))
    monkeypatch.setenv("SYNTH_STAGES", str(tmp_path))
    assert run(["draw", "buoy-t"]) == 2
    said = capsys.readouterr().err
    assert "buoy-t.toml: key drawing: no place for output" in said
    assert said.count("\n") == 1


def test_a_stage_file_with_a_wrong_table_cannot_be_loaded(tmp_path) -> None:
    source = next(catalog_folder(Path(load_stage.__code__.co_filename).parent).rglob("twin-t.toml"))
    copy = tmp_path / "twin-t.toml"
    text = source.read_text()
    copy.write_text(text)
    assert load_stage(copy).placement is not None
    copy.write_text(text.replace('"down"', '"downwards"', 1))
    with pytest.raises(
        CatalogError, match=r"twin-t\.toml: key drawing: .* cannot face 'downwards'"
    ):
        load_stage(copy)


def test_most_stages_have_positions() -> None:
    assert sum(s.placement is not None for s in stages()) >= 100


@pytest.mark.parametrize("facing", ["minus", "plus", "minus-left", "plus-left"])
def test_pins_of_an_op_amp(facing) -> None:
    plus, minus, out = op_amp_pins(Place(10, 5, facing))
    upper = plus if facing.startswith("plus") else minus
    assert upper.at == (10, 6)
    assert {plus.at, minus.at} == {(10, 6), (10, 4)}
    assert out.at == ((5, 5) if facing.endswith("left") else (15, 5))
    assert plus.away == minus.away == (-out.away[0], -out.away[1])


# -- the command -----------------------------------------------------------------------------------


def test_draw_writes_a_picture(tmp_path, capsys) -> None:
    file = tmp_path / "twin.svg"
    assert run(["draw", "sallen-key-lowpass-gain", "swap", "-o", str(file)]) == 0
    said = capsys.readouterr().out
    assert "source in: C2.2, RA.2" in said
    assert "ground 0: R1.1" in said
    assert file.read_text().startswith("<svg ")


def test_draw_shows_the_picture(capsys) -> None:
    assert run(["draw", "twin-t", "--no-values", "--symbols", "ansi"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("<svg ")
    assert "kΩ" not in said


def test_draw_in_json(capsys) -> None:
    assert run(["draw", "sallen-key-lowpass-gain", "lift=C2.2:0.3", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["splits"] == [{"source_part": "C2a", "ground_part": "C2b"}]
    assert {"part": "C2a", "pin": "2", "mark": "source", "node": "in"} in answer["terminals"]
    assert answer["svg"].startswith("<svg ")
    assert answer["crossings"] == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["draw", "twin-t", "-o", "x.png"], "end it in .svg for a picture"),
        (["draw", "twin-t", "swup"], "there is no step 'swup'"),
        (["draw", "twin-t", "--symbols", "din"], "--symbols"),
        (["draw", "twin-tt"], "twin-t"),
    ],
)
def test_wrong_input_is_one_sentence(arguments, words, capsys, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(arguments) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert words in said.err
    assert said.err.count("\n") == 1
    assert not list(tmp_path.iterdir())
