"""A folder of stages of one's own: read with the same checks, bad files named and left out."""

from __future__ import annotations

import json
import warnings
from pathlib import Path

import pytest

from synth import catalog
from synth.catalog import FOLDER, catalog_folder, names, stage, stage_files, stages
from synth.cli.main import run
from synth.errors import CatalogError, StageWarning
from synth.realisation.workshop import closure

FILES = stage_files(catalog_folder(Path(catalog.__file__).resolve().parent))


def changed(source: str, *changes: tuple[str, str]) -> str:
    text = FILES[source].read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return text


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two good stages, one derived from the other, and five bad files."""
    folder = tmp_path / "own"
    (folder / "deeper").mkdir(parents=True)
    lowpass = changed("sallen-key-lowpass-unity", ("sallen-key-lowpass-unity", "buoy-lowpass"))
    highpass = changed(
        "sallen-key-highpass-unity",
        ("sallen-key-highpass-unity", "buoy-highpass"),
        ("sallen-key-lowpass-unity", "buoy-lowpass"),
    )
    (folder / "buoy-lowpass.toml").write_text(lowpass, encoding="utf-8")
    (folder / "deeper" / "buoy-highpass.toml").write_text(highpass, encoding="utf-8")
    bad = {
        "wrong-order": lowpass.replace("order = 2", "order = 3"),
        "wrong-value": lowpass.replace('"10.7k"', '"ten"'),
        "no-source": "\n".join(x for x in lowpass.splitlines() if not x.startswith("source")),
        "no-toml": "name = ",
        "of-itself": highpass.replace('base = "buoy-lowpass"', 'base = "of-itself"'),
    }
    for name, text in bad.items():
        text = text.replace("buoy-lowpass", name).replace("buoy-highpass", name)
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    (folder / "twin-t.toml").write_text(changed("twin-t"), encoding="utf-8")
    monkeypatch.setenv(FOLDER, str(folder))
    return folder


def test_good_files_load_and_each_bad_one_is_named(own: Path) -> None:
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        loaded = {s.name: s for s in stages()}
    assert set(loaded) == {*FILES, "buoy-lowpass", "buoy-highpass"}
    assert loaded["buoy-highpass"].base == "buoy-lowpass"
    assert all(w.category is StageWarning for w in caught)
    told = [str(w.message) for w in caught]
    for name, words in {
        "wrong-order": "key order: 3 claimed",
        "wrong-value": "ten",
        "no-source": "key source is missing",
        "no-toml": "not valid TOML",
        "of-itself": "derives from itself",
        "twin-t": "has the name of a stage of the package",
    }.items():
        assert sum(f"{name}.toml" in t and words in t for t in told) == 1, name
    assert len(told) == 6


def test_a_bad_file_is_an_error_when_it_is_asked_for(own: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", StageWarning)
        with pytest.raises(CatalogError, match=r"wrong-order\.toml: key order"):
            stage("wrong-order")
        assert "buoy-lowpass" in names()


def test_without_the_folder_there_are_the_stages_of_the_package_only() -> None:
    assert set(names()) == set(FILES)


def test_the_option_serves_every_command(
    own: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv(FOLDER)
    for arguments in (
        ["transform", "buoy-lowpass", "rc-cr", "--json"],
        ["analyse", "buoy-highpass", "--json"],
        ["catalog", "buoy-highpass", "--json"],
    ):
        assert run(arguments) == 2
        assert "buoy" in capsys.readouterr().err
        assert run(["--stages", str(own), *arguments]) == 0
        captured = capsys.readouterr()
        assert json.loads(captured.out)["schema"]
        assert all(line.startswith("synth: left out:") for line in captured.err.splitlines())
    assert set(names()) == set(FILES)  # the option does not outlive its command


def test_the_own_stage_takes_part_in_realise(own: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A stage of its own topology: a follower behind two sections of a ladder and a resistor."""
    for path in own.rglob("*.toml"):
        path.unlink()
    text = changed("rc-ladder-lowpass-two", ("rc-ladder-lowpass-two", "buoy-ladder"))
    text = text.replace('["C2", "out", "0"]', '["C2", "p", "0"]')
    text = text.replace('["R2", "a", "out"]', '["R2", "a", "p"]')
    text = text.replace("op_amps = []", 'op_amps = [["U1", "p", "out", "out"]]')
    text = text[: text.index("[drawing]")]
    (own / "buoy-ladder.toml").write_text(text, encoding="utf-8")
    # the same circuit as a ladder of the catalogue with a follower behind it, so either may be told
    assert "buoy-ladder" in {c.stage.name for c in closure(2)}
    target = ["realise", "--num", "1", "--den", "1 3 1", "--at", "1kHz", "--top", "12", "--json"]
    assert run(target) == 0
    used = {
        s["stage"] for r in json.loads(capsys.readouterr().out)["realisations"] for s in r["stages"]
    }
    assert used & {"buoy-ladder", "rc-ladder-lowpass-two"}


def test_a_folder_that_is_not_there_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["--stages", str(tmp_path / "none"), "catalog"]) == 2
    said = capsys.readouterr().err
    assert "none" in said
    assert "SYNTH_STAGES" in said
    assert len(said.splitlines()) == 1


def test_the_list_says_that_own_stages_have_no_figures(
    own: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["catalog", "--order", "2"]) == 0
    said = capsys.readouterr().out.split("buoy-lowpass: ")[1].splitlines()
    assert any("figures: none" in line for line in said[:5])
