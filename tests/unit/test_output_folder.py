"""A folder is written complete or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from antecurve.errors import InputError, OutputExistsError
from antecurve.files.output_folder import _beside, write_file, write_folder


def test_writes_a_new_folder_and_nothing_beside_it(tmp_path: Path) -> None:
    write_folder(tmp_path / "a" / "b", {"x.txt": b"one"})
    assert (tmp_path / "a" / "b" / "x.txt").read_bytes() == b"one"
    assert [p.name for p in (tmp_path / "a").iterdir()] == ["b"]


@pytest.mark.parametrize("content", [{}, {"old.txt": b"old"}])
def test_refuses_an_existing_folder(tmp_path: Path, content: dict[str, bytes]) -> None:
    target = tmp_path / "out"
    target.mkdir()
    for name, data in content.items():
        (target / name).write_bytes(data)
    with pytest.raises(OutputExistsError, match="exists already"):
        write_folder(target, {"x.txt": b"one"})
    assert sorted(p.name for p in target.iterdir()) == sorted(content)


def test_force_replaces_and_keeps_other_files(tmp_path: Path) -> None:
    target = tmp_path / "out"
    write_folder(target, {"x.txt": b"one", "y.txt": b"two"})
    (target / "notes").mkdir()
    (target / "notes" / "mine.txt").write_bytes(b"mine")
    write_folder(target, {"x.txt": b"new"}, force=True)
    assert (target / "x.txt").read_bytes() == b"new"
    assert (target / "y.txt").read_bytes() == b"two"
    assert (target / "notes" / "mine.txt").read_bytes() == b"mine"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_failure_leaves_the_old_files_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "out"
    write_folder(target, {"x.txt": b"one", "y.txt": b"two"})
    real = Path.write_bytes

    def full(self: Path, data: bytes) -> int:
        if self.name == "y.txt":
            raise OSError(28, "No space left on device")
        return real(self, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(InputError, match="No space left"):
        write_folder(target, {"x.txt": b"new", "y.txt": b"new"}, force=True)
    monkeypatch.undo()
    assert (target / "x.txt").read_bytes() == b"one"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_file_is_not_taken_for_a_folder(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(InputError, match="it is a file"):
        write_folder(tmp_path / "out", {"x.txt": b""}, force=True)
    with pytest.raises(InputError, match="it is a folder"):
        write_file(tmp_path, b"", force=True)


def test_write_file_refuses_and_replaces(tmp_path: Path) -> None:
    write_file(tmp_path / "x.txt", b"one")
    with pytest.raises(OutputExistsError):
        write_file(tmp_path / "x.txt", b"two")
    assert (tmp_path / "x.txt").read_bytes() == b"one"
    write_file(tmp_path / "x.txt", b"two", force=True)
    assert (tmp_path / "x.txt").read_bytes() == b"two"
    assert [p.name for p in tmp_path.iterdir()] == ["x.txt"]


def test_what_a_killed_run_staged_is_removed_and_nothing_else(tmp_path: Path) -> None:
    staged = tmp_path / f"{_beside(tmp_path / 'out')}abc"
    staged.mkdir()
    (staged / "half.txt").write_bytes(b"half")
    (tmp_path / ".out.backup").mkdir()
    other = tmp_path / f"{_beside(tmp_path / 'other')}abc"
    other.write_bytes(b"of another run")
    write_folder(tmp_path / "out", {"x.txt": b"one"})
    assert sorted(os.listdir(tmp_path)) == sorted([other.name, ".out.backup", "out"])


def _killed_while_replacing(
    target: Path, monkeypatch: pytest.MonkeyPatch, *, after: int, files: dict[str, bytes]
) -> None:
    """Stop a writer dead when so many files have taken their places."""
    real = Path.replace
    replaced: list[Path] = []

    def replace(self: Path, destination: Path) -> Path:
        if len(replaced) == after:
            raise SystemExit
        replaced.append(destination)
        return real(self, destination)

    monkeypatch.setattr(Path, "replace", replace)
    with pytest.raises(SystemExit):
        write_folder(target, files, force=True)
    monkeypatch.undo()


@pytest.mark.parametrize("after", [0, 1, 2])
@pytest.mark.parametrize("force", [False, True])
def test_the_next_run_completes_a_set_that_was_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after: int, force: bool
) -> None:
    target = tmp_path / "out"
    write_folder(target, {"a.txt": b"old", "b.txt": b"old", "c.txt": b"old"})
    new = {"a.txt": b"new", "b.txt": b"new", "c.txt": b"new"}
    _killed_while_replacing(target, monkeypatch, after=after, files=new)
    if force:
        write_folder(target, {"d.txt": b"next"}, force=True)
    else:
        with pytest.raises(OutputExistsError):
            write_folder(target, {"d.txt": b"next"})
    content = {p.name: p.read_bytes() for p in target.iterdir()}
    assert content == {**new, **({"d.txt": b"next"} if force else {})}


def test_a_run_stopped_before_its_journal_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "out"
    write_folder(target, {"a.txt": b"old", "b.txt": b"old"})
    staged = target / ".antecurve-killed"
    staged.mkdir()
    (staged / "a.txt").write_bytes(b"ne")
    write_folder(target, {"c.txt": b"next"}, force=True)
    content = {p.name: p.read_bytes() for p in target.iterdir()}
    assert content == {"a.txt": b"old", "b.txt": b"old", "c.txt": b"next"}


def test_the_folder_itself_stays(tmp_path: Path) -> None:
    target = tmp_path / "out"
    write_folder(target, {"x.txt": b"one"})
    target.chmod(0o700)
    (target / "x.txt").chmod(0o640)
    before = target.stat()
    write_folder(target, {"x.txt": b"two", "y.txt": b"new"}, force=True)
    after = target.stat()
    assert (after.st_ino, after.st_mode, after.st_uid) == (
        before.st_ino,
        before.st_mode,
        before.st_uid,
    )
    assert (target / "x.txt").stat().st_mode & 0o777 == 0o640
    assert (target / "x.txt").read_bytes() == b"two"


def test_writes_into_the_working_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write_folder(".", {"x.txt": b"one"}, force=True)
    assert Path("x.txt").read_bytes() == b"one"
    assert os.getcwd() == str(tmp_path)


def test_writes_into_a_folder_whose_parent_may_not_be_written_to(tmp_path: Path) -> None:
    target = tmp_path / "parent" / "out"
    target.mkdir(parents=True)
    target.parent.chmod(0o555)
    try:
        write_folder(target, {"x.txt": b"one"}, force=True)
        assert os.listdir(target.parent) == ["out"]
    finally:
        target.parent.chmod(0o755)
    assert os.listdir(target) == ["x.txt"]


@pytest.mark.parametrize("name", ["Ω" * 120, "☃" * 80, "a" * 250])
def test_long_names_are_taken_as_the_system_takes_them(tmp_path: Path, name: str) -> None:
    write_folder(tmp_path / name, {"x.txt": b"one"})
    write_folder(tmp_path / name, {"x.txt": b"two"}, force=True)
    write_file(tmp_path / f"{name[:-4]}.txt", b"one")
    assert sorted(os.listdir(tmp_path)) == sorted([name, f"{name[:-4]}.txt"])


def test_a_link_to_a_folder_or_a_file_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "real.txt").write_bytes(b"old")
    (tmp_path / "out").symlink_to(tmp_path / "real")
    (tmp_path / "out.txt").symlink_to(tmp_path / "real.txt")
    write_folder(tmp_path / "out", {"x.txt": b"one"}, force=True)
    write_file(tmp_path / "out.txt", b"new", force=True)
    assert (tmp_path / "out").is_symlink()
    assert (tmp_path / "real" / "x.txt").read_bytes() == b"one"
    assert (tmp_path / "out.txt").is_symlink()
    assert (tmp_path / "real.txt").read_bytes() == b"new"


def test_other_files_are_kept_as_they_are_links_and_all(tmp_path: Path) -> None:
    target = tmp_path / "out"
    write_folder(target, {"x.txt": b"one"})
    (target / "dangling").symlink_to("nowhere")
    (target / "deep" / "er").mkdir(parents=True)
    (target / "deep" / "er" / "mine.txt").write_bytes(b"mine")
    before = (target / "deep" / "er" / "mine.txt").stat()
    write_folder(target, {"x.txt": b"two"}, force=True)
    after = (target / "deep" / "er" / "mine.txt").stat()
    assert (after.st_ino, after.st_mtime_ns) == (before.st_ino, before.st_mtime_ns)
    assert (target / "dangling").readlink() == Path("nowhere")
