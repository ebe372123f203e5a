"""Many runs inspected one by one, on this machine's cores or on a cluster: a bad one stops no other."""

from __future__ import annotations

import multiprocessing
import signal
import traceback
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import field, replace
from functools import lru_cache
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Any

from thermscan.errors import InputError, ThermscanError
from thermscan.exit_status import INTERNAL_FAULT, OF_OVERALL
from thermscan.frozen import dataclass
from thermscan.inspection import inspect_run
from thermscan.judge.baseline import Baseline
from thermscan.judge.baseline_file import read_baseline
from thermscan.memory import keep_freed_memory
from thermscan.report.results import results_document
from thermscan.report.shown import Shown
from thermscan.runs.fetching import fetch_run, is_url
from thermscan.runs.reading import read_run
from thermscan.writing.scratch import scratch_folder

# A worker that dies takes its run along; a cluster tries again elsewhere this often before it gives one up.
RETRIES = 2
# A scheduler that does not answer in this time is not there.
_ANSWERS_S = 15.0


@dataclass(frozen=True, slots=True)
class Work:
    """
    One run to inspect; plain values, so that it can be sent anywhere.

    Attributes
    ----------
    run : str
        Run file, as the user named it, or its URL.
    overrides : mapping
        Keys of the run file that options give.
    baseline, out : str or None
        Baseline file; folder for the report.
    shown : Shown or None
        Language and units of the report.
    bench : str or bool
        As in `thermscan.runs.reading.read_run`.
    """

    run: str
    overrides: Mapping[str, object] = field(default_factory=dict)
    baseline: str | None = None
    out: str | None = None
    shown: Shown | None = None
    bench: str | bool = True


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one run: its exit status, its results document or None, and what was wrong, in lines."""

    run: str
    exit_status: int
    result: dict[str, Any] | None = None
    faults: tuple[str, ...] = ()

    def document(self) -> dict[str, Any]:
        """One line of ``inspect --json`` for several runs."""
        return {"run": self.run, "exit": self.exit_status, "result": self.result, "faults": list(self.faults)}


def inspect_one(work: Work) -> Outcome:
    """Inspect one run; whatever goes wrong is its outcome."""
    if not is_url(work.run):
        return _inspected(work)
    with scratch_folder() as folder:
        try:
            copy = fetch_run(work.run, folder)
        except ThermscanError as error:
            return Outcome(work.run, error.exit_status, None, error.lines())
        done = _inspected(replace(work, run=str(copy)))
        # Paths are told as they are there, and not as those of a copy that is gone.
        here, there = str(copy.parent), work.run.rpartition("/")[0]
        result = None if done.result is None else _renamed(done.result, here, there)
        return Outcome(work.run, done.exit_status, result, _renamed(done.faults, here, there))


def _renamed(value: Any, here: str, there: str) -> Any:
    """A document with one folder's name in the place of another's."""
    if isinstance(value, str):
        return value.replace(here, there)
    if isinstance(value, dict):
        return {key: _renamed(item, here, there) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return type(value)(_renamed(item, here, there) for item in value)
    return value


def _inspected(work: Work) -> Outcome:
    try:
        bench = Path(work.bench) if isinstance(work.bench, str) else work.bench
        run = read_run(Path(work.run), overrides=work.overrides, bench=bench)
        baseline = _baseline(work.baseline) if work.baseline else None
        inspection = inspect_run(run, baseline=baseline)
        if work.out:
            from thermscan.report.report import write_report  # noqa: PLC0415 - matplotlib where a report is wanted

            write_report(inspection, Path(work.out), shown=work.shown)
        return Outcome(work.run, OF_OVERALL[inspection.judgement.overall], results_document(inspection))
    except ThermscanError as error:
        return Outcome(work.run, error.exit_status, None, error.lines())
    except MemoryError:
        return Outcome(work.run, INTERNAL_FAULT, None, (f"{work.run}: needs more memory than there is",))
    except Exception as error:  # the top of a worker: one run's fault is not the others'
        where = traceback.extract_tb(error.__traceback__)[-1]
        fault = f"internal fault ({type(error).__name__}: {error}, {Path(where.filename).name} line {where.lineno})"
        return Outcome(work.run, INTERNAL_FAULT, None, (f"{work.run}: {fault}",))


@lru_cache(maxsize=1)
def _baseline(path: str) -> Baseline:
    return read_baseline(Path(path))


def inspect_here(works: Sequence[Work], *, jobs: int) -> Iterator[tuple[int, Outcome]]:
    """
    Inspect runs on this machine.

    Parameters
    ----------
    works : sequence of Work
    jobs : int
        Processes at once; with 1 all is done in this one.

    Yields
    ------
    (index, Outcome)
        As they are done. A process that dies is replaced, and its run's outcome says so.
    """
    if jobs <= 1:
        for number, work in enumerate(works):
            yield number, inspect_one(work)
        return
    waiting = list(enumerate(works))[::-1]
    workers = [_Worker() for _ in range(min(jobs, len(works)))]
    try:
        for worker in workers:
            worker.take(waiting.pop())
        while busy := {worker.connection: worker for worker in workers if worker.number is not None}:
            for connection in wait(list(busy)):
                worker = busy[connection]  # type: ignore[index]
                yield worker.finish()
                if waiting:
                    worker.take(waiting.pop())
    finally:
        for worker in workers:
            worker.stop()


class _Worker:
    """One process that inspects one run after another; a new one is started where it died."""

    def __init__(self) -> None:
        self.number: int | None = None
        self._work: Work | None = None
        self._process: SpawnProcess | None = None
        self._start()

    def _start(self) -> None:
        # A fresh interpreter: a fork of one with threads and open libraries may hang.
        context = multiprocessing.get_context("spawn")
        self.connection, other = context.Pipe()
        self._process = context.Process(target=_serve, args=(other,), daemon=True)
        self._process.start()
        other.close()

    def take(self, numbered: tuple[int, Work]) -> None:
        """Begin with a run."""
        self.number, self._work = numbered
        self.connection.send(self._work)

    def finish(self) -> tuple[int, Outcome]:
        """What became of the run; call it when the connection has something."""
        number, work = self.number, self._work
        assert number is not None
        assert work is not None
        self.number = self._work = None
        try:
            return number, self.connection.recv()
        except (EOFError, OSError):
            self.stop()
            self._start()
            fault = f"{work.run}: the process that inspected it died (out of memory?); inspect it alone"
            return number, Outcome(work.run, INTERNAL_FAULT, None, (fault,))

    def stop(self) -> None:
        """End the process, whatever it does."""
        self.connection.close()
        if self._process is not None:
            self._process.kill()
            self._process.join()


def _serve(connection: Connection) -> None:
    """A worker's life: runs in, outcomes out, until the other side is gone."""
    # The person's Ctrl-C goes to the parent, which ends its workers.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    keep_freed_memory()
    try:
        while True:
            connection.send(inspect_one(connection.recv()))
    except (EOFError, OSError):
        return


def inspect_on_cluster(works: Sequence[Work], address: str) -> Iterator[tuple[int, Outcome]]:
    """
    Inspect runs on a Dask cluster whose workers have thermscan and see the same files under the same names.

    Parameters
    ----------
    works : sequence of Work
    address : str
        Of the scheduler, such as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    InputError
        dask.distributed is not installed, or nobody answers there.
    """
    try:
        from distributed import Client, KilledWorker, as_completed  # noqa: PLC0415 - an extra
    except ImportError as error:
        fix = "pip install 'thermscan[cluster]'"
        raise InputError("this needs dask.distributed, which is not installed", where="--cluster", fix=fix) from error
    absolute = [
        replace(
            work,
            run=work.run if is_url(work.run) else str(Path(work.run).absolute()),
            baseline=_absolute(work.baseline),
            out=_absolute(work.out),
        )
        for work in works
    ]
    try:
        client = Client(address, timeout=_ANSWERS_S)
    except (OSError, ValueError, TypeError) as error:
        raise InputError(
            f'no scheduler answers at "{address}"', where="--cluster", fix="give its address, such as tcp://host:8786"
        ) from error
    with client:
        # Each run once, whatever its arguments: what is asked for twice is inspected twice.
        futures = [client.submit(inspect_one, work, pure=False, retries=RETRIES) for work in absolute]
        place = {future.key: number for number, future in enumerate(futures)}
        for future in as_completed(futures):
            number = place[future.key]
            try:
                outcome = future.result()
            except KilledWorker:
                fault = f"{works[number].run}: every worker that inspected it died (out of memory?)"
                outcome = Outcome(works[number].run, INTERNAL_FAULT, None, (fault,))
            except Exception as error:  # a fault of the cluster, not of the run
                fault = f"{works[number].run}: the cluster failed ({type(error).__name__}: {error})"
                outcome = Outcome(works[number].run, INTERNAL_FAULT, None, (fault,))
            yield number, Outcome(works[number].run, outcome.exit_status, outcome.result, outcome.faults)
            future.release()


def _absolute(path: str | None) -> str | None:
    return str(Path(path).absolute()) if path else None
