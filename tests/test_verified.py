"""Stages as recorded are not checked again; what changed is, and is said."""

from __future__ import annotations

import json
import shutil
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

from synth import catalog
from synth.catalog import RECORD, catalog_folder, load_stage, stage, stage_files, stages
from synth.cli.main import run
from synth.errors import CatalogError, StageWarning
from synth.stage_file import Stage

FOLDER = catalog_folder(Path(catalog.__file__).resolve().parent)


@pytest.fixture
def copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A copy of the catalogue that stands in its place."""
    folder = tmp_path / "catalog"
    shutil.copytree(FOLDER, folder)
    monkeypatch.setattr(catalog, "catalog_folder", lambda package: folder)
    for cached in (catalog._library, catalog._all, catalog._content_hash):
        cached.cache_clear()
    yield folder
    for cached in (catalog._library, catalog._all, catalog._content_hash):
        cached.cache_clear()


def change(folder: Path, name: str, old: str, new: str) -> Path:
    path = stage_files(folder)[name]
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def test_the_record_is_that_of_the_files() -> None:
    """`python -m synth.generators` writes it, after every check."""
    record = json.loads((FOLDER / RECORD).read_text(encoding="utf-8"))
    assert record == {n: catalog.recorded_as(load_stage(p)) for n, p in stage_files(FOLDER).items()}


def test_recorded_stages_are_not_checked_again(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def check(found: Stage) -> None:
        raise AssertionError(f"{found.name} was checked")

    monkeypatch.setattr(catalog, "check_claims", check)
    assert len(stages()) == len(stage_files(copy))


def test_a_changed_file_is_checked_and_said_with_all_that_derives_from_it(copy: Path) -> None:
    path = change(copy, "fliege-bandpass", '"78.7k"', '"80.6k"')
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        stage("fliege-bandpass")
    assert [w.category for w in caught] == [StageWarning]
    assert f"{path} changed since it was verified" in str(caught[0].message)
    with pytest.warns(StageWarning) as told:
        stage("fliege-bandpass-attenuator")
    said = [str(w.message).split(", which changed")[0] for w in told]
    assert said == ["stage fliege-bandpass-attenuator derives from fliege-bandpass"]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        stage("tow-thomas-bandpass")


def test_the_command_line_says_it_in_a_sentence(
    copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    change(copy, "fliege-bandpass", '"78.7k"', '"80.6k"')
    assert run(["analyse", "fliege-bandpass"]) == 0
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 1
    assert said[0].startswith("synth: stage file ")
    assert "changed since it was verified" in said[0]


def test_a_word_for_people_needs_no_verification(copy: Path) -> None:
    change(copy, "fliege-bandpass", 'title = "Two', 'title = "2')
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert stage("fliege-bandpass").title.startswith("2")


def test_a_changed_file_that_is_wrong_is_refused(copy: Path) -> None:
    change(copy, "fliege-bandpass", '["R1", "in", "n"]', '["R1", "in", "o1"]')
    for asked in ("fliege-bandpass", "fliege-notch"):
        with pytest.raises(CatalogError, match=r"fliege-bandpass\.toml: key H") as caught:
            stage(asked)
        assert str(caught.value).count("stage file") == 1
    with pytest.raises(CatalogError, match=r"fliege-bandpass\.toml: key H"):
        catalog.verify()


def test_one_wrong_file_leaves_the_others(copy: Path) -> None:
    change(copy, "fliege-bandpass", '["R1", "in", "n"]', '["R1", "in", "o1"]')
    with pytest.warns(StageWarning) as told:
        found = {s.name for s in stages()}
    assert len(told) == 1
    said = str(told[0].message)
    assert said.count("stage file") == 1
    assert "fliege-notch" in said
    assert not {"fliege-bandpass", "fliege-notch"} & found
    assert "bainter-notch" in found


def test_without_a_record_everything_is_checked(copy: Path) -> None:
    (copy / RECORD).write_text("[]", encoding="utf-8")
    with pytest.warns(StageWarning, match="changed since") as told:
        stages()
    assert len(told) == 1
    count = len(stage_files(copy))
    said = str(told[0].message)
    assert said.startswith(f"{count} stages (tow-thomas-bandpass, ")
    assert f" and {count - 3} more) changed since they were verified" in said


def test_two_changed_stages_are_told_in_one_sentence_that_names_both(copy: Path) -> None:
    change(copy, "fliege-bandpass", '"78.7k"', '"80.6k"')
    with pytest.warns(StageWarning) as told:
        stage("fliege-bandpass-attenuator")
    assert [str(w.message) for w in told] == [
        "2 stages (fliege-bandpass, fliege-bandpass-attenuator) changed since they were verified, "
        "or derive from one that did; their claims were checked again and hold "
        "(`python -m synth.generators` records it)"
    ]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        stage("fliege-bandpass-attenuator")
