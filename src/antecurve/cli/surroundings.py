"""What surrounds a run: its streams, signals that stop it, and a note of what went wrong inside.

Exit codes beyond 0, 1 and 2 say that there is no verdict on anything: 70 for a fault of the
program itself and 74 for a stream that takes no output (both as in ``sysexits.h``), 130 and 143
for a run stopped by SIGINT and SIGTERM (128 and the signal's number, as shells say it).
"""

from __future__ import annotations

import atexit
import codecs
import io
import logging
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from types import FrameType
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    from typing_extensions import Buffer

__all__ = [
    "FAULT",
    "OUTPUT_REFUSED",
    "Stopped",
    "StreamRefused",
    "asked_to_stop",
    "note_fault",
    "note_start",
    "prepare_signals",
    "prepare_streams",
    "seconds_since_start",
    "today",
]

FAULT = 70  # EX_SOFTWARE of sysexits.h
OUTPUT_REFUSED = 74  # EX_IOERR of sysexits.h

_PLAIN_CHARACTERS = {
    "Ω": "ohm", "µ": "u", "μ": "u", "±": "+/-", "×": "x", "²": "^2", "³": "^3", "·": "*",
    "°": "deg", "–": "-", "—": "-", "…": "...", "‖": "||", "→": "->", "≥": ">=", "≤": "<=",
    "√": "sqrt", "π": "pi", "ω": "w", "−": "-",
}  # fmt: skip
"""How to write what a stream's encoding lacks."""
_SIGNALS = {signal.SIGINT: "interrupted", signal.SIGTERM: "terminated"}
_AGAIN_S = 0.01  # a destructor has returned by then, and nobody waits for it
_RAISED = dict(zip("⁰¹²³⁴⁵⁶⁷⁸⁹", "0123456789", strict=True))


class Stopped(BaseException):
    """A signal stopped the run before anything was written, or everything was.

    Parameters
    ----------
    code : int
        Exit code.
    word : str
        What happened, in a word.
    written : str, optional
        What was written until then.
    """

    def __init__(self, code: int, word: str, written: str = "nothing was written") -> None:
        self.code = code
        self.word = word
        self.written = written
        super().__init__(word)


class Interrupt(KeyboardInterrupt):
    """SIGINT: it ends a search with the best so far, and anything else.

    Not `KeyboardInterrupt` itself: where that passes through code made from text, the
    interpreter ends by the signal in the end, whatever the exit code.
    """


class StreamRefused(Exception):
    """Standard output takes no more.

    Parameters
    ----------
    reason : str
        What the system says.
    """


def _plain_characters(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text = error.object[error.start : error.end]
    plain = "".join(_PLAIN_CHARACTERS.get(c, "?") for c in text)
    if text[:1] in _RAISED:
        plain = "^" + "".join(_RAISED.get(c, "?") for c in text)
    return plain, error.end


class _Output(io.FileIO):
    """A standard stream; once the system refuses it, it takes anything and keeps nothing."""

    def __init__(self, stream: TextIO, refused: Callable[[str], None]) -> None:
        super().__init__(stream.fileno(), "w", closefd=False)
        self._refused = refused
        self._gone = False

    def write(self, data: Buffer, /) -> int:
        """Write; say once that the system refuses it."""
        if not self._gone:
            try:
                return super().write(data)
            except OSError as error:
                self._gone = True
                self._refused(error.strerror or str(error))
        return memoryview(data).nbytes


def _refuse(reason: str) -> None:
    raise StreamRefused(reason)


def _say_nothing(reason: str) -> None:
    """Where messages can't be said, the exit code tells the result."""


def _prepared(stream: TextIO, original: TextIO | None, refused: Callable[[str], None]) -> TextIO:
    """A stream that takes any text and tells its own name; another program's stays its own."""
    if stream is not original or not isinstance(stream, io.TextIOWrapper):
        return stream
    stream.flush()
    return io.TextIOWrapper(
        io.BufferedWriter(_Output(stream, refused)),
        encoding=stream.encoding,
        errors="antecurve-plain",
        line_buffering=stream.line_buffering,
    )


def prepare_streams() -> None:
    """Make standard output and error take any text, whatever their encoding.

    Raises
    ------
    StreamRefused
        When standard output is closed; later by whatever prints to it, when it takes no more.
    """
    codecs.register_error("antecurve-plain", _plain_characters)
    # What libraries have to say of their caches and settings is nothing to a user.
    logging.lastResort = logging.NullHandler()
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    sys.stderr = _prepared(sys.stderr, sys.__stderr__, _say_nothing)
    columns = os.environ.get("COLUMNS", "1")
    if not columns.isdecimal() or int(columns) < 1:
        del os.environ["COLUMNS"]  # no width that anything could be printed in
    if sys.stdout is None:
        raise StreamRefused("it is closed")
    sys.stdout = _prepared(sys.stdout, sys.__stdout__, _refuse)


_asked: list[Stopped] = []
_show_unraisable = sys.unraisablehook


_begun: list[float] = []


def note_start() -> None:
    """Note when the run began: what was loaded until now took its processor time at least."""
    _begun[:] = [time.perf_counter() - time.process_time()]


def seconds_since_start() -> float:
    """Tell how long the run goes on.

    Returns
    -------
    float
        Time since the start of the process [s]; the processor time of one that noted no start.
    """
    return time.perf_counter() - _begun[0] if _begun else time.process_time()


def prepare_signals() -> None:
    """Let SIGINT and SIGTERM stop the run, but not while, or after, files are put in place."""
    _asked.clear()
    # The main thread alone may set handlers; without them Python's own hold.
    try:
        for number in _SIGNALS:
            if signal.getsignal(number) is not signal.SIG_IGN:
                signal.signal(number, _stop)
    except ValueError:
        return
    sys.unraisablehook = _ask_again
    atexit.register(_ignore_late_signals)


def asked_to_stop() -> Stopped | None:
    """Tell whether a signal asked the run to stop before anything was put in place.

    Returns
    -------
    Stopped or None
        The first request; a library may have made another exception of it on its way.
    """
    return _asked[0] if _asked else None


def _ask_again(unraisable: Any) -> None:
    """Send a signal once more whose exception was raised where Python passes exceptions over."""
    if _asked and isinstance(unraisable.exc_value, KeyboardInterrupt | Stopped):
        threading.Timer(_AGAIN_S, _signal_main_thread, (_asked[-1].code - 128,)).start()
    else:
        _show_unraisable(unraisable)


def _signal_main_thread(number: int) -> None:
    """Raise a signal so that it wakes the main thread from whatever it waits for."""
    if sys.platform == "win32":
        signal.raise_signal(number)
    else:
        signal.pthread_kill(threading.main_thread().ident or 0, number)


def _ignore_late_signals() -> None:
    """Let signals pass while the interpreter ends: the run has said what came of it."""
    for number in _SIGNALS:
        if signal.getsignal(number) is _stop:
            signal.signal(number, signal.SIG_IGN)


def _has_written() -> bool:
    output: Any = sys.modules.get("antecurve.files.output_folder")
    return output is not None and bool(output.has_begun_to_replace())


def _stop(number: int, frame: FrameType | None) -> None:
    if _has_written():
        return  # everything is written within moments, and the exit code tells the result
    _asked.append(Stopped(128 + number, _SIGNALS[signal.Signals(number)]))
    if number == signal.SIGINT:
        raise Interrupt
    raise _asked[-1]


def note_fault() -> str:
    """Write the details of the exception at hand to a file of their own.

    Returns
    -------
    str
        Where they are, or that they could not be written.
    """
    import tempfile
    import traceback

    details = traceback.format_exc()
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="antecurve-fault-", suffix=".txt", delete=False, encoding="utf-8"
        ) as file:
            file.write(f"command line: {sys.argv[1:]!r}\npython {sys.version}\n\n{details}")
    except OSError:
        last = details.strip().splitlines()[-1]
        return f"its details could not be written; the last line is: {last}"
    return f"the details are in {file.name}"


def today() -> str:
    """Date what is printed.

    Returns
    -------
    str
        ISO 8601; that of ``SOURCE_DATE_EPOCH`` where it is set, so that files can be made again.
    """
    from datetime import UTC, date, datetime

    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    if epoch.isdecimal():
        return datetime.fromtimestamp(int(epoch), UTC).date().isoformat()
    return date.today().isoformat()
