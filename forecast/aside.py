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
    path = os.pathsep.join(filter(None, sys.path))
    try:
        done = subprocess.run(
            [sys.executable, "-m", __name__],
            input=pickle.dumps((name, arguments)),
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": path, "OMP_NUM_THREADS": "1"},
            timeout=MOST_S,
            check=True,
        )
    except (OSError, subprocess.SubprocessError) as error:
        raise AsideError(f"{name} failed in its own process: {error}; its last words are in the log") from error
    result, failure = pickle.loads(done.stdout)  # noqa: S301 - from our own child
    if failure is not None:
        raise failure
    return result


def main() -> None:
    """The other process: what to do comes in, what came of it goes out."""
    name, arguments = pickle.load(sys.stdin.buffer)  # noqa: S301 - from our own parent
    answers, sys.stdout = sys.stdout, sys.stderr  # nothing that a library prints may get between
    module, _, function = name.partition(":")
    result: object = None
    failure: UllageError | None = None
    try:
        result = getattr(importlib.import_module(module), function)(*arguments)
    except UllageError as error:
        failure = error
    answers.buffer.write(pickle.dumps((result, failure)))


if __name__ == "__main__":
    main()
