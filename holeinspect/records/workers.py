"""The pool that measures: a few worker processes, each led by a thread that takes photos from the queue.

Workers never touch the database: what they find is written by their thread, in one transaction. A worker that dies (of a
photo, or of the memory running out) is replaced, and its photo is tried once more. Workers end by themselves when the service
is gone, as their pipe ends.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
import signal
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from threading import Event, Thread
from typing import TypeAlias

from sqlalchemy.exc import SQLAlchemyError

from holeinspect.errors import HoleinspectError, NoSuchRecord
from holeinspect.inspection import Inspection
from holeinspect.records.filing import Filing
from holeinspect.records.jobs import Ask, Done, Failed, Job, Labels, Message, Ready, Refusal, Step, Told
from holeinspect.records.since import since
from holeinspect.setup import Setup

MEASURING = "holeinspect.records.measuring:measure"
"""Import path of what a worker does with a photo: a callable of type Measure. Tests name one of their own."""
Measure: TypeAlias = Callable[[Job, Ask, Callable[[str], None]], Inspection]

LONGEST_S = 180.0
"""A photo that takes longer has hung its worker: measuring takes seconds."""
STARTING_S = 120.0
"""How long a worker may take to import its libraries on a slow machine."""
IDLE_S = 2.0
"""How often an idle thread looks at the queue without being told to."""
SLICE_S = 0.25
"""How often a waiting thread looks whether the service stops."""
ENDING_S = 5.0
"""How long a worker may take to end before it is killed."""

log = logging.getLogger(__name__)


# --- in the worker process ---


def work(pipe: Connection, measuring: str) -> None:
    """A worker's whole life: import once, then measure what comes through the pipe until it ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a terminal interrupts all; the service ends its workers itself
    try:
        measure = _imported(measuring)
        pipe.send(Ready())
        while True:
            pipe.send(_outcome(measure, pipe.recv(), pipe))
    except (EOFError, BrokenPipeError, ConnectionResetError):
        os._exit(0)  # the service is gone


def _imported(path: str) -> Measure:
    module, _, name = path.partition(":")
    measure: Measure = getattr(import_module(module), name)
    return measure


@dataclass(slots=True)
class _Asking:
    """Asks the service what the inspection is told, and keeps the answer."""

    pipe: Connection
    told: Told | None = None

    def __call__(self, codes: tuple[str, ...]) -> Setup:
        self.pipe.send(Labels(codes))
        answer = self.pipe.recv()
        if isinstance(answer, Refusal):
            raise NoSuchRecord(answer.sentence)
        assert isinstance(answer, Told)
        self.told = answer
        return answer.setup


def _outcome(measure: Measure, job: Job, pipe: Connection) -> Message:
    asking = _Asking(pipe)
    try:
        inspection = measure(job, asking, lambda step: pipe.send(Step(step)))
        return Done(inspection.model_dump_json(), _since(asking.told, inspection))
    except HoleinspectError as error:
        return Failed(str(error))
    except (EOFError, BrokenPipeError, ConnectionResetError):
        raise
    except Exception as error:
        log.exception("photo %s", job.photo)
        return Failed(f"This is a fault of holeinspect, not of your photo: {type(error).__name__}: {error}")


def _since(told: Told | None, inspection: Inspection) -> str | None:
    if told is None or told.earlier is None:
        return None
    run, earlier = told.earlier
    laid = since(run, Inspection.model_validate_json(earlier), inspection)
    return laid.model_dump_json() if laid is not None else None


# --- in the service ---


@dataclass(slots=True)
class _Worker:
    process: SpawnProcess
    pipe: Connection
    ready: bool = False

    @classmethod
    def start(cls, measuring: str) -> _Worker:
        """A new process, warming up."""
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        process = context.Process(target=work, args=(theirs, measuring), name="holeinspect-worker", daemon=True)
        process.start()
        theirs.close()
        return cls(process, ours)

    def receive(self, within_s: float) -> Message:
        """The next message. Raises EOFError when the worker is dead, or silent for too long."""
        if not self.pipe.poll(within_s):
            raise EOFError
        message: Message = self.pipe.recv()
        return message

    def warm_up(self) -> None:
        """Wait until it can measure. Raises EOFError where it never will."""
        if not self.ready:
            self.receive(STARTING_S)
            self.ready = True

    def end(self) -> None:
        """End it, at once if it does not do so by itself."""
        self.pipe.close()
        self.process.terminate()
        self.process.join(ENDING_S)
        if self.process.is_alive():
            self.process.kill()
            self.process.join(ENDING_S)
        self.process.close()


class Pool:
    """Worker processes and their threads."""

    def __init__(self, filing: Filing, workers: int, measuring: str = MEASURING) -> None:
        self._filing, self._measuring = filing, measuring
        self._stopping = Event()
        self._wake = [Event() for _ in range(workers)]
        self._threads = [
            Thread(target=self._lead, args=(wake,), name=f"holeinspect-lane-{number}", daemon=True)
            for number, wake in enumerate(self._wake)
        ]

    def start(self) -> None:
        """Queue again what a stopped service left half done, and begin."""
        self._filing.take_back()
        for thread in self._threads:
            thread.start()

    def wake(self) -> None:
        """A photo may have joined the queue."""
        for event in self._wake:
            event.set()

    def stop(self) -> None:
        """End the workers at once; photos that are half measured are queued again."""
        self._stopping.set()
        self.wake()
        for thread in self._threads:
            if thread.is_alive():
                thread.join(3 * ENDING_S)
        self._filing.take_back()

    def _lead(self, wake: Event) -> None:
        """A thread's whole life: one worker after the other, should they die."""
        while not self._stopping.is_set():
            worker = _Worker.start(self._measuring)
            try:
                worker.warm_up()
                self._lead_worker(worker, wake)
            except (EOFError, OSError):
                if not self._stopping.is_set():
                    log.warning("a worker died and is replaced")
                    self._stopping.wait(0.1 if worker.ready else IDLE_S)
            finally:
                worker.end()

    def _lead_worker(self, worker: _Worker, wake: Event) -> None:
        """Give the worker photo after photo. Raises EOFError when it dies."""
        while not self._stopping.is_set():
            wake.clear()
            job = self._claim()
            if job is not None:
                self._measure(worker, job)
            elif not worker.process.is_alive():
                raise EOFError
            else:
                wake.wait(IDLE_S)

    def _claim(self) -> Job | None:
        """The next photo; none while the database cannot be used."""
        try:
            return self._filing.claim()
        except SQLAlchemyError:
            log.exception("the queue cannot be read; it is tried again")
            return None

    def _measure(self, worker: _Worker, job: Job) -> None:
        try:
            worker.pipe.send(job)
            while True:
                message = self._next(worker)
                match message:
                    case Step(name):
                        self._filing.step(job.photo, name)
                    case Labels(codes):
                        worker.pipe.send(self._filing.setup_for(job.photo, codes))
                    case Done(inspection, laid):
                        return self._filing.file(job.photo, inspection, laid)
                    case Failed(sentence):
                        return self._filing.fail(job.photo, sentence)
        except (EOFError, OSError):
            if not self._stopping.is_set():
                self._insist(lambda: self._filing.worker_died(job.photo))
            raise
        except SQLAlchemyError:
            log.exception("the result of photo %s cannot be kept; it is measured again", job.photo)
            self._insist(lambda: self._filing.put_back(job.photo))

    def _insist(self, write: Callable[[], None]) -> None:
        """Write to the database, again and again until it can be written (a full disk, a server that restarts)."""
        while not self._stopping.is_set():
            try:
                return write()
            except SQLAlchemyError:
                log.exception("the database cannot be written; it is tried again")
                self._stopping.wait(IDLE_S)

    def _next(self, worker: _Worker) -> Message:
        """The worker's next message; gives up when the service stops."""
        waited = 0.0
        while not worker.pipe.poll(SLICE_S):
            waited += SLICE_S
            if self._stopping.is_set() or waited > LONGEST_S:
                raise EOFError
        message: Message = worker.pipe.recv()
        return message
