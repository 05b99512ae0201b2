"""The one family of errors that a user may meet.

Raise `TsfitError` with a sentence that names the file or flag, says what is wrong with it, and what to do.
The command line prints that sentence and exits with 2; nothing else may reach a user.
"""

import os
from functools import partial


class TsfitError(Exception):
    """A job that cannot be done: in one sentence the place, what is wrong there and the remedy; `code` names the cause.

    Its ``vars``, in their order, are its machine form ``{"error": {"code", "message", "file"}}``.
    """

    def __init__(self, message: str, *, code: str, file: str | os.PathLike[str] | None = None) -> None:
        super().__init__(message)
        self.code = code
        self.message = message
        self.file = None if file is None else os.fspath(file)

    def __reduce__(self) -> tuple[object, ...]:
        """Let it pass from process to process."""
        return partial(type(self), code=self.code, file=self.file), (self.message,)
