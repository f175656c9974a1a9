"""Heavy computations in processes of their own: one a core, others wait in a queue.

A computation that is cancelled, or whose process crashes, frees its core at once.  Its memory
ends with its process.  A process whose server is gone ends by itself.  One that records sound
keeps what it has first, and waits for a resource of its own in place of a core.
"""

from __future__ import annotations

import contextlib
import copy
import itertools
import multiprocessing
import os
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from multiprocessing.connection import Connection, wait
from typing import Any

from antecurve.app.dialogue import CancelledError, Dialogue
from antecurve.errors import AntecurveError

__all__ = ["Computation", "Computations", "Report", "Work"]

Report = Callable[[str], None]
"""Takes a sentence on how far a computation is."""
Work = Callable[..., Any]
"""What is computed: takes a `Report` first; it is a function of a module."""

_MOST_KEPT = 500  # computations that ended: more than anybody looks back to
_TO_KEEP_S = 5.0  # for what was recorded: a disk takes it within a second
_CRASHED = "the computation ended unexpectedly; start it again"
# What most computations load: once, in the process that those of all are forked from.
_HEAVY = ("antecurve.pipeline", "antecurve.pick.search", "antecurve.synthesis.own_network",
          "antecurve.synthesis.formulas", "antecurve.judge.verdicts", "antecurve.report.page",
          "antecurve.app.work", "antecurve.app.unit_work", "antecurve.diagnose.diagnosis",
          "antecurve.report.diagnosis_page", "antecurve.report.unit_files",
          "jinja2", "msgspec.json", "pandas", "quantiphy", "schemdraw", "scipy.linalg",
          "scipy.optimize", "scipy.special")  # fmt: skip
_ENDED = ("done", "failed", "cancelled")


class Computation:
    """One computation, from its place in the queue to its result.

    Its ``state`` is ``waiting``, ``running``, ``done``, ``failed`` or ``cancelled``; ``report``
    says how far it is, ``result`` what it came to, ``message`` why it failed.  ``said`` is what it
    told on its way, ``asked`` the step that it waits for, number ``step``; ``following`` is the
    computation that its result began.

    Parameters
    ----------
    number : int
        By which the page asks for it.
    topic : str
        What it is about, such as the name of a network; two with one topic never run at once.
    title : str
        What is computed, in words.
    """

    def __init__(self, number: int, topic: str, title: str) -> None:
        self.number, self.topic, self.title = number, topic, title
        self.state, self.report, self.message = "waiting", "", ""
        self.result: Any = None
        self.said: list[str] = []
        self.asked, self.step = "", 0
        self.following: Computation | None = None
        self.lane, self.keeps = "", False
        self.then: Callable[[Any], Computation] | None = None
        self.process: Any = None
        self.connection: Connection | None = None
        self.future: Future[None] | None = None

    @property
    def ended(self) -> bool:
        """Whether it is over, one way or another."""
        return self.state in _ENDED

    def heard(self, word: str, content: str) -> None:
        """Take what the process tells on its way.

        Parameters
        ----------
        word : str
            ``report``, ``said`` or ``ask``.
        content : str
            A sentence.
        """
        if word == "report":
            self.report = content
        elif word == "said":
            self.said.append(content)
        else:
            self.asked, self.step = content, self.step + 1


class Computations:
    """The computations of a server.

    Parameters
    ----------
    most : int, optional
        How many run at once; one a core by default.
    """

    def __init__(self, most: int | None = None) -> None:
        methods = multiprocessing.get_all_start_methods()
        kind = "forkserver" if "forkserver" in methods else "spawn"
        self._context: Any = multiprocessing.get_context(kind)
        if kind == "forkserver":
            self._context.set_forkserver_preload(list(_HEAVY))
        self._lanes = {"": ThreadPoolExecutor(most or os.cpu_count() or 1)}
        self._numbers = itertools.count(1)
        self._all: dict[int, Computation] = {}
        self._lock = threading.Lock()

    def start(
        self, work: Work, *arguments: Any, topic: str, title: str, lane: str = "",
        keeps: bool = False, then: Callable[[Any], Computation] | None = None,
    ) -> Computation:  # fmt: skip
        """Put a computation into the queue.

        Parameters
        ----------
        work : callable
            What is computed.
        *arguments : object
            What it is given after the `Report`.
        topic, title : str
            As in `Computation`.
        lane : str, optional
            A resource of which there is one, that it waits for in place of a core.
        keeps : bool, optional
            Whether it keeps what it has when it is cancelled, and is given time to.
        then : callable, optional
            Takes the result, and starts what follows.

        Returns
        -------
        Computation
            The new one, or the one of the same topic that has not ended yet.
        """
        with self._lock:
            for other in self._all.values():
                if other.topic == topic and not other.ended:
                    return other
            computation = Computation(next(self._numbers), topic, title)
            computation.lane, computation.keeps, computation.then = lane, keeps, then
            self._all[computation.number] = computation
            for old in [c for c in self._all.values() if c.ended][:-_MOST_KEPT]:
                del self._all[old.number]
            if lane not in self._lanes:
                self._lanes[lane] = ThreadPoolExecutor(1)
            computation.future = self._lanes[lane].submit(self._run, computation, work, arguments)
        return computation

    def latest(self, topic: str) -> Computation | None:
        """Look up the latest computation of a topic, as it stands now.

        Parameters
        ----------
        topic : str
            What it is about.

        Returns
        -------
        Computation or None
            A copy, which does not change while a page is written from it; ``None`` where there
            was none since the server started.
        """
        with self._lock:
            return _copy(next((c for c in reversed(self._all.values()) if c.topic == topic), None))

    def numbered(self, number: int) -> Computation | None:
        """Look up a computation by its number, as it stands now.

        Parameters
        ----------
        number : int
            Its number.

        Returns
        -------
        Computation or None
            A copy, which does not change while a page is written from it; ``None`` where it is
            not known (any more).
        """
        with self._lock:
            return _copy(self._all.get(number))

    def ended(self) -> tuple[Computation, ...]:
        """List the computations that ended, the earliest first.

        Returns
        -------
        tuple of Computation
            Those that are still known.
        """
        with self._lock:
            return tuple(c for c in self._all.values() if c.ended)

    def ahead_of(self, computation: Computation) -> int:
        """Count what waits in front of a computation.

        Parameters
        ----------
        computation : Computation
            One that waits.

        Returns
        -------
        int
            Computations that start before it.
        """
        with self._lock:
            waiting = [
                c.number
                for c in self._all.values()
                if c.state == "waiting" and c.lane == computation.lane
            ]
        return sum(number < computation.number for number in waiting)

    def cancel(self, computation: Computation) -> None:
        """Cancel a computation: its process ends at once, or once it has kept what it has.

        Parameters
        ----------
        computation : Computation
            Which; nothing happens where it has ended.
        """
        with self._lock:
            computation = self._all.get(computation.number, computation)
            if computation.ended:
                return
            if computation.keeps and computation.connection is not None:
                computation.report, computation.asked = "Stopping.", ""
                _send(computation.connection, "cancel")
                last = threading.Timer(_TO_KEEP_S, self._end, [computation])
                last.daemon = True
                last.start()
                return
        self._end(computation)

    def go_on(self, computation: Computation, step: int) -> None:
        """Tell a computation that the step it asked for is done.

        Parameters
        ----------
        computation : Computation
            Which.
        step : int
            Number of the step; nothing happens where it waits for another one, or none.
        """
        with self._lock:
            computation = self._all.get(computation.number, computation)
            if (
                computation.connection is not None
                and computation.asked
                and step == computation.step
            ):
                computation.asked = ""
                _send(computation.connection, "done")

    def _end(self, computation: Computation) -> None:
        """End a computation at once, where it has not ended."""
        with self._lock:
            if computation.ended:
                return
            computation.state = "cancelled"
            if computation.process is not None:
                computation.process.kill()
        if computation.future is not None:
            computation.future.cancel()

    def close(self) -> None:
        """Cancel all, and wait until their processes have ended."""
        with self._lock:
            open_ones = [c for c in self._all.values() if not c.ended]
        for computation in open_ones:
            self.cancel(computation)
        for threads in self._lanes.values():
            threads.shutdown(wait=True, cancel_futures=True)

    def _run(self, computation: Computation, work: Work, arguments: tuple[Any, ...]) -> None:
        """Run one in a process of its own, and take its reports until it ends."""
        receiver, sender = self._context.Pipe()
        process = self._context.Process(
            target=_work_and_tell, args=(sender, work, arguments, computation.keeps)
        )
        with self._lock:
            if computation.ended:
                return
            try:
                process.start()
            except OSError as error:  # no memory, no more processes, or a temporary folder gone
                computation.state = "failed"
                computation.message = f"no process could be started: {error.strerror or error}"
                return
            computation.process, computation.state = process, "running"
            computation.connection = receiver
        sender.close()
        try:
            while self._take(computation, receiver):
                pass
        finally:
            with self._lock:  # nobody sends to it or kills it once it is closed
                computation.connection = None
            receiver.close()
            process.join()
            with self._lock:
                computation.process = None
                process.close()
                if not computation.ended:
                    computation.state, computation.message = "failed", _CRASHED

    def _take(self, computation: Computation, receiver: Connection) -> bool:
        """Take one message of the process; whether more may follow."""
        try:
            word, content = receiver.recv()
        except (EOFError, OSError):
            return False
        with self._lock:
            if computation.ended:
                return False
            if word in ("report", "said", "ask"):
                computation.heard(word, content)
                return True
            if word != "done":
                computation.message, computation.state = content, word
                return False
        # What follows is known before it is told that this is done.
        following = None if computation.then is None else computation.then(content)
        with self._lock:
            computation.following, computation.result = following, content
            computation.state = "done"
        return False


def _copy(computation: Computation | None) -> Computation | None:
    if computation is None:
        return None
    copied = copy.copy(computation)
    copied.said = list(computation.said)
    return copied


def _send(connection: Connection, word: str) -> None:
    """Tell a process something, unless it is gone."""
    with contextlib.suppress(OSError):
        connection.send(word)


def _work_and_tell(sender: Connection, work: Work, arguments: tuple[Any, ...], keeps: bool) -> None:
    """Compute, in a process of its own, and send reports and the result."""
    dialogue = Dialogue(sender)
    threading.Thread(target=dialogue.listen, daemon=True).start()
    threading.Thread(target=_end_with_server, args=(keeps,), daemon=True).start()
    try:
        answer = ("done", work(dialogue, *arguments))
    except CancelledError as error:
        answer = ("cancelled", str(error))
    except AntecurveError as error:
        answer = ("failed", str(error))
    except MemoryError:
        answer = ("failed", "this needs more memory than the machine has; ask for less")
    with contextlib.suppress(OSError):  # of a server that is gone
        sender.send(answer)
    sender.close()


def _end_with_server(keeps: bool) -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        if keeps:
            time.sleep(_TO_KEEP_S)
        os._exit(1)
