"""Output folders appear whole or not at all, and nothing leaves them."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from roomsim.errors import RoomsimError
from roomsim.files.output import CONTENTS, OutputError, OutputFolder, safe_name, safe_names, write_whole

HOSTILE = ["../../etc/passwd", "/absolute", "a/b\\c", "..", ".", "", "   ", "nul", "CON.txt", "-rf", ".hidden", "a\0b",
           "x" * 300, "日本語の部屋" * 40, "line\nbreak", "C:evil", "\u202egnp.exe", "~", "$HOME", "name.", "aux .png"]


def write(folder: Path, **files: str) -> None:
    with OutputFolder(folder) as output:
        for name, text in files.items():
            output.path(f"{name}.txt").write_text(text)


def texts(folder: Path) -> dict[str, str]:
    return {p.name: p.read_text() for p in folder.iterdir() if p.name != CONTENTS}


@pytest.mark.parametrize("label", HOSTILE)
def test_any_label_becomes_a_plain_file_name(label: str, tmp_path: Path) -> None:
    name = safe_name(label)
    assert name and Path(name).name == name and len((name + ".png").encode()) <= 255
    assert not set(name) & set('/\\:*?"<>|\0\n $~') and name[0] not in ".-" and name[-1] not in ".- "
    assert name.split(".")[0].casefold() not in {"con", "nul", "aux", "prn", "com1", "lpt1"}
    (tmp_path / f"{name}.png").write_text("fits")
    assert [p.parent for p in tmp_path.iterdir()] == [tmp_path]


def test_names_that_would_meet_are_told_apart() -> None:
    names = safe_names(["a/b", "a:b", "A-B", "other"])
    assert len({name.casefold() for name in names}) == 4 and names[0] == "a-b" and names[3] == "other"


def test_a_plain_label_stays_as_it_is() -> None:
    assert safe_name("typical_2.5") == "typical_2.5"
    assert safe_name("Wohnküche") == "Wohnküche"


@pytest.mark.parametrize("name", ["../x", "/x", "a/b", "..", ".", "", "a\\b", "C:x", "x\0", CONTENTS])
def test_paths_stay_inside_the_folder(name: str, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="plain file name"), OutputFolder(tmp_path / "out") as output:
        output.path(name)
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_seen_before_the_end(tmp_path: Path) -> None:
    target = tmp_path / "deep" / "out"
    with OutputFolder(target) as output:
        output.path("a.txt").write_text("1")
        assert not target.exists() and output.names == ["a.txt"]
    assert texts(target) == {"a.txt": "1"}
    assert (target / CONTENTS).read_text() == "a.txt\n"
    assert sorted(p.name for p in target.parent.iterdir()) == ["out"]


def test_the_folder_has_ordinary_permissions(tmp_path: Path) -> None:
    (tmp_path / "plain").mkdir()
    write(tmp_path / "out", a="1")
    assert (tmp_path / "out").stat().st_mode == (tmp_path / "plain").stat().st_mode


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, SystemExit, RoomsimError])
def test_an_error_leaves_nothing(error: type[BaseException], tmp_path: Path) -> None:
    with pytest.raises(error), OutputFolder(tmp_path / "deep" / "out") as output:
        output.path("a.txt").write_text("1")
        raise error
    assert list(tmp_path.iterdir()) == []


def test_an_error_leaves_the_earlier_result(tmp_path: Path) -> None:
    write(tmp_path / "out", a="old", b="old")
    with pytest.raises(KeyboardInterrupt), OutputFolder(tmp_path / "out") as output:
        output.path("a.txt").write_text("new")
        raise KeyboardInterrupt
    assert texts(tmp_path / "out") == {"a.txt": "old", "b.txt": "old"}
    assert len(list((tmp_path / "out").iterdir())) == 3


def test_a_later_run_replaces_its_own_files_and_no_others(tmp_path: Path) -> None:
    write(tmp_path / "out", a="old", b="old")
    (tmp_path / "out" / "mine.md").write_text("notes")
    write(tmp_path / "out", a="new", c="new")
    assert texts(tmp_path / "out") == {"a.txt": "new", "c.txt": "new", "mine.md": "notes"}


def test_a_foreign_file_of_the_same_name_is_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "b.txt").write_text("mine")
    with pytest.raises(OutputError, match=r"b\.txt was not written by roomsim"):
        write(tmp_path / "out", a="new", b="new")
    assert texts(tmp_path / "out") == {"b.txt": "mine"}
    assert len(list((tmp_path / "out").iterdir())) == 1


def test_a_move_that_fails_half_way_is_taken_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path / "out", a="old", b="old")
    rename, count = os.rename, 0

    def failing(source, target):
        nonlocal count
        count += 1
        if count == 5:          # a, b and the list are aside, a is in place, now b
            raise OSError(28, "No space left on device")
        rename(source, target)

    monkeypatch.setattr(os, "rename", failing)
    with pytest.raises(OutputError, match="No space left on device"):
        write(tmp_path / "out", a="new", b="new")
    assert texts(tmp_path / "out") == {"a.txt": "old", "b.txt": "old"}
    assert len(list((tmp_path / "out").iterdir())) == 3


def test_a_contents_list_cannot_point_outside(tmp_path: Path) -> None:
    (tmp_path / "precious.txt").write_text("keep")
    write(tmp_path / "out", a="old")
    (tmp_path / "out" / CONTENTS).write_text("../precious.txt\n/etc/hostname\na.txt\n..\n")
    write(tmp_path / "out", a="new")
    assert (tmp_path / "precious.txt").read_text() == "keep" and texts(tmp_path / "out") == {"a.txt": "new"}


def test_a_link_in_the_folder_is_not_followed(tmp_path: Path) -> None:
    write(tmp_path / "out", a="old")
    (tmp_path / "precious.txt").write_text("keep")
    (tmp_path / "out" / "a.txt").unlink()
    (tmp_path / "out" / "a.txt").symlink_to(tmp_path / "precious.txt")
    write(tmp_path / "out", a="new")
    assert (tmp_path / "precious.txt").read_text() == "keep" and not (tmp_path / "out" / "a.txt").is_symlink()


def test_a_file_in_place_of_the_folder_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OutputError, match="is a file"):
        write(tmp_path / "out", a="1")


@pytest.mark.skipif(not Path("/proc/version").exists(), reason="needs a folder that nobody can write")
def test_a_folder_that_cannot_be_made_is_a_plain_error() -> None:
    with pytest.raises(OutputError, match="cannot write /proc/no/such"):
        write(Path("/proc/no/such"), a="1")


def test_ctrl_c_while_files_move_waits_for_the_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path / "out", a="old", b="old")
    rename = os.rename

    def interrupting(source, target):
        rename(source, target)
        if Path(target).name == "a.txt" and Path(target).parent == tmp_path / "out":
            signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(os, "rename", interrupting)
    with pytest.raises(KeyboardInterrupt):
        write(tmp_path / "out", a="new", b="new")
    assert texts(tmp_path / "out") == {"a.txt": "new", "b.txt": "new"}


def test_one_file_is_written_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_whole(tmp_path / "a.yaml", "old")

    def full(self, text, encoding=None):
        self.touch()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(OutputError, match="No space left"):
        write_whole(tmp_path / "a.yaml", "new")
    assert [p.name for p in tmp_path.iterdir()] == ["a.yaml"] and (tmp_path / "a.yaml").read_text() == "old"
