"""Work that needs heavy libraries, in a process of its own that ends with it.

pandas, SciPy, scikit-learn and pvlib would add 150 MB to the forecaster for good, and are needed for
seconds a day. What is to be done is named, not passed, so that whoever asks need not load it either.
"""

from __future__ import annotations

import importlib
import os
import pickle
import subprocess
import sys
from typing import Any, Final

from ingest.errors import AsideError, UllageError

#: Longer than any of this work takes on a small board.
MOST_S: Final = 300.0


def aside(name: str, *arguments: object) -> Any:
    """What `module:function` returns for these arguments. Raises what it raises of our own errors, or AsideError.

    Arguments and result are pickled, and go through pipes between the two processes alone.
    """
    try:
        with start() as process:
            try:
                said, _ = process.communicate(pickle.dumps((name, arguments)), timeout=MOST_S)
            except BaseException:
                process.kill()
                raise
        result, failure = pickle.loads(said)  # noqa: S301 - from our own child
    except (OSError, EOFError, subprocess.SubprocessError, pickle.UnpicklingError) as error:
        raise AsideError(f"{name} failed in its own process: {error!r}; its last words are in the log") from error
    if failure is not None:
        raise failure
    return result


def start() -> subprocess.Popen[bytes]:
    """A process that does what comes in, one thing after the other, until nothing comes in any more."""
    path = os.pathsep.join(filter(None, sys.path))
    return subprocess.Popen(
        [sys.executable, "-m", __name__],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": path, "OMP_NUM_THREADS": "1"},
        start_new_session=True,  # Ctrl-C at the terminal is for us, and ends it through its pipe
    )


def do(name: str, arguments: tuple[object, ...]) -> tuple[object, UllageError | None]:
    """What came of it: a result, or an error of ours."""
    module, _, function = name.partition(":")
    try:
        return getattr(importlib.import_module(module), function)(*arguments), None
    except UllageError as error:
        return None, error


def main() -> None:
    """The other process: what to do comes in, what came of it goes out."""
    answers, sys.stdout = sys.stdout, sys.stderr  # nothing that a library prints may get between
    while True:
        try:
            name, arguments = pickle.load(sys.stdin.buffer)  # noqa: S301 - from our own parent
        except EOFError:
            return
        pickle.dump(do(name, arguments), answers.buffer)
        answers.buffer.flush()


if __name__ == "__main__":
    main()
