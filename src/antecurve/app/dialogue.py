"""What a computation says to the page, and asks of it, from within its process."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from multiprocessing.connection import Connection

__all__ = ["CancelledError", "Dialogue"]

_LEAST_APART_S = 0.1  # between two reports: the page asks a few times a second


class CancelledError(Exception):
    """Raised inside a computation that is cancelled, where it has something to keep first."""


class Dialogue:
    """The process's end of the talk with the server.

    Parameters
    ----------
    connection : Connection
        To the server.
    """

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._last = 0.0
        self._answers: queue.SimpleQueue[bool] = queue.SimpleQueue()
        self._cancelled = threading.Event()

    def __call__(self, sentence: str) -> None:
        """Report how far the computation is; reports that follow at once are left out."""
        if time.monotonic() - self._last >= _LEAST_APART_S:
            self._last = time.monotonic()
            self._send("report", sentence)

    def say(self, sentence: str) -> None:
        """Tell something that stays to be read.

        Parameters
        ----------
        sentence : str
            What is told.
        """
        self._send("said", sentence)

    def ask(self, step: str) -> None:
        """Tell a step, and wait until it is done.

        Parameters
        ----------
        step : str
            What is to be done.

        Raises
        ------
        CancelledError
            When the computation is cancelled in place of it.
        """
        self._send("ask", step)
        self._answers.get()
        self.check()

    def check(self) -> None:
        """Stop where the computation was cancelled.

        Raises
        ------
        CancelledError
            When it was.
        """
        if self._cancelled.is_set():
            raise CancelledError

    def cancel(self) -> None:
        """Have the computation stop at its next step."""
        self._cancelled.set()
        self._answers.put(False)

    def _send(self, word: str, sentence: str) -> None:
        with contextlib.suppress(OSError):  # a server that is gone hears nothing
            self._connection.send((word, sentence))

    def listen(self) -> None:
        """Take the answers of the server until it is gone."""
        try:
            while self._connection.recv() == "done":
                self._answers.put(True)
        except (EOFError, OSError):
            pass  # a server that is gone cancels as well
        self.cancel()
