"""A folder is written complete or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from antecurve.errors import InputError, OutputExistsError
from antecurve.files import swapping
from antecurve.files.output_folder import write_file, write_folder


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


def test_what_a_killed_run_left_is_removed_and_nothing_else(tmp_path: Path) -> None:
    left = tmp_path / ".out.antecurve-abc"
    left.mkdir()
    (left / "half.txt").write_bytes(b"half")
    (tmp_path / ".out.backup").mkdir()
    (tmp_path / ".other.antecurve-abc").write_bytes(b"of another run")
    write_folder(tmp_path / "out", {"x.txt": b"one"})
    names = sorted(p.name for p in tmp_path.iterdir())
    assert names == [".other.antecurve-abc", ".out.backup", "out"]


@pytest.fixture
def no_exchange(monkeypatch: pytest.MonkeyPatch) -> None:
    """A system that can't exchange two names at once."""
    monkeypatch.setattr(swapping, "_exchanged_at_once", lambda one, other: False)


@pytest.mark.usefixtures("no_exchange")
def test_force_works_without_an_exchange_of_names(tmp_path: Path) -> None:
    write_folder(tmp_path / "out", {"x.txt": b"one", "y.txt": b"two"})
    write_folder(tmp_path / "out", {"x.txt": b"new"}, force=True)
    assert (tmp_path / "out" / "x.txt").read_bytes() == b"new"
    assert (tmp_path / "out" / "y.txt").read_bytes() == b"two"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.usefixtures("no_exchange")
def test_a_run_killed_between_two_renamings_is_made_good_by_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "out"
    write_folder(target, {"x.txt": b"one"})
    real = Path.rename

    def killed(self: Path, place: Path) -> Path:
        if place == target:
            raise SystemExit
        return real(self, place)

    monkeypatch.setattr(Path, "rename", killed)
    with pytest.raises(SystemExit):
        write_folder(target, {"x.txt": b"new"}, force=True)
    monkeypatch.undo()
    assert not target.exists()
    with pytest.raises(OutputExistsError):
        write_folder(target, {"x.txt": b"third"})
    assert (target / "x.txt").read_bytes() == b"one"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


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
