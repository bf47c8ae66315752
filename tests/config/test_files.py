"""Files read tolerantly, and written so that the old or the new content is there, whole."""

import fcntl
import os
import subprocess
import sys
from pathlib import Path

import pytest

from config.toml.faults import ConfigError
from config.toml.files import LARGEST, read_text, write_atomic
from tests.support.command import ROOT

OLD, NEW = "old\n" * 1000, "new\n" * 100_000


def faults_of(path: Path) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        read_text(path)
    return caught.value.faults


@pytest.mark.parametrize("content", ["polyphony = 8\n", b"polyphony = 8\n"])
def test_what_is_written_is_read_back(tmp_path: Path, content: str | bytes) -> None:
    write_atomic(tmp_path / "mine.toml", content)
    assert read_text(tmp_path / "mine.toml") == "polyphony = 8\n"
    assert os.listdir(tmp_path) == ["mine.toml"]


@pytest.mark.parametrize("mask", [0o000, 0o022, 0o077])
def test_a_written_file_can_be_read_by_everybody(tmp_path: Path, mask: int) -> None:
    before = os.umask(mask)
    try:
        write_atomic(tmp_path / "mine.toml", "x")
    finally:
        os.umask(before)
    assert (tmp_path / "mine.toml").stat().st_mode & 0o7777 == 0o644


def test_a_byte_order_mark_and_crlf_are_taken_off(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_bytes(b"\xef\xbb\xbfa = 1\r\nb = 2\r\n")
    assert read_text(path) == "a = 1\nb = 2\n"


def test_a_missing_file_is_reported(tmp_path: Path) -> None:
    path = tmp_path / "gone.toml"
    assert faults_of(path) == [f"{path}: no such file"]


def test_a_folder_is_reported(tmp_path: Path) -> None:
    assert faults_of(tmp_path) == [f"{tmp_path}: is a folder, not a file"]


def test_a_file_taken_for_a_folder_is_reported(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").touch()
    (told,) = faults_of(tmp_path / "mine.toml" / "deeper.toml")
    assert told.startswith(f"{tmp_path}/mine.toml/deeper.toml: can't be read: ")


def test_a_path_that_cannot_be_is_reported(tmp_path: Path) -> None:
    assert len(faults_of(tmp_path / ("x" * 300))) == 1


def test_a_file_without_end_is_reported() -> None:
    (told,) = faults_of(Path("/dev/zero"))
    assert told.startswith("/dev/zero: is longer than 1 MiB")


def test_the_longest_file_that_is_read_has_a_mebibyte(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_bytes(b"#" * (1 << 20))
    assert len(read_text(path)) == LARGEST == 1 << 20
    path.write_bytes(b"#" * ((1 << 20) + 1))
    (fault,) = faults_of(path)
    assert fault.startswith(f"{path}: is longer than 1 MiB")


def test_nothing_at_all_is_an_empty_text() -> None:
    assert read_text(Path("/dev/null")) == ""


@pytest.mark.parametrize("start", [b"", b"a = 1\n\n"])
def test_bytes_that_are_not_utf8_are_reported_with_their_line(tmp_path: Path, start: bytes) -> None:
    path = tmp_path / "mine.toml"
    path.write_bytes(start + b'name = "caf\xe9"\n')
    line = start.count(b"\n") + 1
    assert faults_of(path) == [f"{path}: line {line}: is not UTF-8 text; save it as UTF-8"]


def test_content_that_is_no_text_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(OLD)
    with pytest.raises(TypeError):
        write_atomic(path, 8)  # type: ignore[arg-type]
    with pytest.raises(UnicodeEncodeError):
        write_atomic(path, "\ud800")
    assert path.read_text() == OLD
    assert os.listdir(tmp_path) == ["mine.toml"]


def test_a_folder_in_the_way_stays_and_nothing_is_left_behind(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").mkdir()
    with pytest.raises(OSError, match="directory"):
        write_atomic(tmp_path / "mine.toml", NEW)
    assert os.listdir(tmp_path) == ["mine.toml"]


def test_a_folder_that_is_gone_is_an_os_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        write_atomic(tmp_path / "gone" / "mine.toml", NEW)
    assert os.listdir(tmp_path) == []


def test_what_a_killed_writer_left_goes_with_the_next_write(tmp_path: Path) -> None:
    for name in (".mine.toml.a1.part", ".mine.toml.b2.part", ".other.toml.c3.part"):
        (tmp_path / name).write_text("ha")
    with (tmp_path / ".mine.toml.b2.part").open() as still_written:
        fcntl.flock(still_written, fcntl.LOCK_EX)
        open_before = len(os.listdir("/proc/self/fd"))
        write_atomic(tmp_path / "mine.toml", NEW)
        assert len(os.listdir("/proc/self/fd")) == open_before
    left = {".mine.toml.b2.part", ".other.toml.c3.part"}
    assert set(os.listdir(tmp_path)) == {"mine.toml", *left}


@pytest.mark.gig
def test_a_disk_that_fills_up_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(OLD)
    program = (
        "import resource, signal, sys\n"
        "from pathlib import Path\n"
        "from config.toml.files import write_atomic\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (8192, 8192))\n"
        "try:\n"
        "    write_atomic(Path(sys.argv[1]), 'new\\n' * 100_000)\n"
        "except OSError as error:\n"
        "    print(error.errno)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stdout == "27\n"  # EFBIG
    assert path.read_text() == OLD
    assert os.listdir(tmp_path) == ["mine.toml"]
