"""Processes forked from one that has the package loaded: real ones, without a second of imports.

Streams, signals and the end of the interpreter are those of any process.  What an interpreter does
at its start (``PYTHONIOENCODING``, closed streams, ``-m``) wants a process of its own.
"""

from __future__ import annotations

import atexit
import contextlib
import importlib
import json
import os
import pkgutil
import select
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import threading
from functools import cache
from typing import IO, Any

import antecurve

_NUMBER = struct.Struct("i")  # a process, then how it ended, as wait(2) tells it
_LONGEST_S = 300  # many times what any takes beside other work; a hung one ends


class LoadedProcess:
    """A program in an interpreter that has the package loaded.

    Parameters
    ----------
    program : str
        As of ``python -c``.
    *words : object
        Its command line.
    stdin, stdout, stderr : file or None, optional
        In place of nothing, of a pipe to `stdout` and of what `communicate` gives.
    longest_s : int, optional
        Then it ends, whatever became of the tests.
    **environment : str
        Variables beside those of the tests.
    """

    def __init__(
        self, program: str, *words: object, stdin: IO[Any] | None = None,
        stdout: IO[Any] | None = None, stderr: IO[Any] | None = None,
        longest_s: int = _LONGEST_S, **environment: str,
    ) -> None:  # fmt: skip
        ours, theirs = os.pipe()
        # One is a file, so that neither waits for the other to be read.
        self.stdout = open(ours, encoding="utf-8", errors="surrogateescape")  # noqa: SIM115
        self._messages: Any = tempfile.TemporaryFile("w+", encoding="utf-8")  # noqa: SIM115
        self._line = socket.socket(socket.AF_UNIX)
        self._line.connect(_forker())
        asked = {
            "program": program,
            "words": ["-c", *map(str, words)],
            "folder": os.getcwd(),
            "environment": {**os.environ, "NO_COLOR": "1", **environment},
            "longest_s": longest_s,
        }
        text = json.dumps(asked).encode()
        with open(os.devnull) as nothing:
            streams = (
                (stdin or nothing).fileno(),
                stdout.fileno() if stdout else theirs,
                (stderr or self._messages).fileno(),
            )
            socket.send_fds(self._line, [_NUMBER.pack(len(text))], streams)
        self._line.sendall(text)
        os.close(theirs)
        (self.pid,) = _NUMBER.unpack(self._line.recv(_NUMBER.size))
        self.returncode: int | None = None

    def poll(self, *, flags: int = socket.MSG_DONTWAIT) -> int | None:
        """Give the exit code once it has ended; a signal's number less than nothing, if by one."""
        if self.returncode is None:
            with contextlib.suppress(BlockingIOError):
                (status,) = _NUMBER.unpack(self._line.recv(_NUMBER.size, flags))
                self.returncode = os.waitstatus_to_exitcode(status)
        return self.returncode

    def send_signal(self, number: int) -> None:
        """Signal it, unless it has ended."""
        if self.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def communicate(self, timeout: float) -> tuple[str, str]:
        """Wait for its end, which comes by force where it takes too long: output and messages."""
        guard = threading.Timer(timeout, self.send_signal, (signal.SIGKILL,))
        guard.start()
        printed = self.stdout.read()
        self.poll(flags=0)
        guard.cancel()
        self._messages.seek(0)
        said = self._messages.read()
        self._close()
        return printed, said

    def kill(self) -> None:
        """End it by force; what it has started may still hold its streams."""
        self.send_signal(signal.SIGKILL)
        self.poll(flags=0)
        self._close()

    def _close(self) -> None:
        for each in (self.stdout, self._messages, self._line):
            each.close()


@cache
def _forker() -> str:
    """Address of the process that forks; it ends with the tests, as its input does."""
    address = os.path.join(tempfile.mkdtemp(prefix="forker-"), "line")
    theirs, ours = os.pipe()
    forker = subprocess.Popen(
        [sys.executable, __file__, address], stdin=theirs, stdout=subprocess.PIPE
    )
    os.close(theirs)
    atexit.register(forker.wait)
    atexit.register(os.close, ours)  # before it
    with forker.stdout as output:  # type: ignore[union-attr]
        assert output.readline() == b"ready\n"
    return address


def load() -> None:
    """Load the package, and libraries that its functions load, but for matplotlib."""
    for module in pkgutil.walk_packages(antecurve.__path__, "antecurve."):
        if "plot" not in module.name and not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    for name in ("jinja2", "msgspec.json", "numpy.ma", "numpy.random", "quantiphy",
                 "threadpoolctl", "typer._adapters"):  # fmt: skip
        with contextlib.suppress(ImportError):  # whatever its version calls it
            importlib.import_module(name)


def forked(listening: socket.socket) -> dict[str, Any]:
    """Fork for whoever asks; returns in what was forked, with what it was asked for."""
    while True:
        ready, _, _ = select.select([listening, sys.stdin], [], [])
        if sys.stdin in ready:  # its other end is closed: the tests are over
            os._exit(0)
        line, _ = listening.accept()
        if os.fork():  # not waited for: the system forgets it at its end
            line.close()
            continue
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        size, streams, _, _ = socket.recv_fds(line, _NUMBER.size, 3)
        asked = json.loads(line.recv(*_NUMBER.unpack(size), socket.MSG_WAITALL))
        process = os.fork()
        if process:  # stays to tell how it ends
            for stream in streams:
                os.close(stream)
            line.sendall(_NUMBER.pack(process))
            _, status = os.waitpid(process, 0)
            with contextlib.suppress(BrokenPipeError):
                line.sendall(_NUMBER.pack(status))
            os._exit(0)
        for number, stream in enumerate(streams):
            os.dup2(stream, number)
            os.close(stream)
        line.close()
        return dict(asked)


def begin(asked: dict[str, Any]) -> str:
    """Make a process what it was asked to be: its program."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.alarm(asked["longest_s"])
    os.environ.clear()
    os.environ.update(asked["environment"])
    os.chdir(asked["folder"])
    sys.argv = asked["words"]
    return str(asked["program"])


if __name__ == "__main__":
    load()
    _own = socket.socket(socket.AF_UNIX)
    _own.bind(sys.argv[1])
    _own.listen()
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a terminal's, which means the tests
    print("ready", flush=True)
    _program = begin(forked(_own))
    exec(compile(_program, "<string>", "exec"), {"__name__": "__main__"})
