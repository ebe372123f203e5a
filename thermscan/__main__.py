"""``thermscan`` and ``python -m thermscan``: the command as a process, from its first moment to its last."""

import os
import signal
import sys
import warnings

# Until the command line is there, nothing has been read or written: an interrupt simply ends it.
if __name__ == "__main__":
    signal.signal(signal.SIGINT, lambda *_: os._exit(130))


def run() -> int:
    """
    Run the command line; returns its exit status.

    Interrupts end with 130 and no traceback from the first import on; standard streams that are closed or full are
    told in one line, or not at all where there is nobody to tell.
    """
    signal.signal(signal.SIGINT, lambda *_: os._exit(130))
    closed = _open_closed_streams()

    from thermscan.cli.main import main, told  # noqa: PLC0415 - see above
    from thermscan.exit_status import BAD_INPUT, CLOSED_PIPE  # noqa: PLC0415

    if 1 in closed:
        told("standard output is closed; send it to a file, or to /dev/null")
        return BAD_INPUT
    interrupts: list[int] = []

    def interrupt(number: int, _: object) -> None:
        """As Python does it; noted, since C code that is being imported turns it into errors of its own."""
        interrupts.append(number)
        sys.unraisablehook = lambda _: None
        raise KeyboardInterrupt

    signal.signal(signal.SIGINT, interrupt)
    if not sys.warnoptions:
        # A library's warning helps nobody at the bench; the tests turn each into an error, and python -W shows them.
        warnings.simplefilter("ignore")
    status = main(interrupts=interrupts)
    # What is done is done: from here on an interrupt would only spoil the status.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        status = CLOSED_PIPE
    except OSError as error:
        told(f"standard output cannot be written to ({error.strerror or error}); send it elsewhere")
        status = BAD_INPUT
    _forget_what_cannot_be_written()
    return status


def _open_closed_streams() -> set[int]:
    """Which of the three standard streams were closed; a file opened later must not take their place."""
    closed = set()
    for descriptor in (0, 1, 2):
        try:
            os.fstat(descriptor)
        except OSError:
            closed.add(descriptor)
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free
    if 2 in closed:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 - it stays open
    return closed


def _forget_what_cannot_be_written() -> None:
    """Python flushes once more at its end, and would show a traceback there."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


if __name__ == "__main__":
    sys.exit(run())
