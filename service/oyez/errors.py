"""Every error Oyez raises on purpose, as one tree.

OyezError
├── InputError            the command line, a file or a request is wrong     exit 2, HTTP 422
│   ├── VenueFaults       a venue file has faults; carries all of them       exit 2, HTTP 422
│   └── ClipRefused       an audio file cannot become a clip                 exit 2, HTTP 422
├── NotFound              no such zone, rule, clip, play                     exit 2, HTTP 404
├── NotAllowed            who asks may not                                   exit 1, HTTP 403
├── TooLarge              a body over its limit                              exit 2, HTTP 413
├── Conflict              it cannot be done as things stand now              exit 1, HTTP 409
└── WorkFailed            right input, but the work could not be done        exit 1, HTTP 500
    └── EngineGone        the engine does not answer                         exit 1, HTTP 503

`code` is stable and names the case for programs; the message is for people and says what, which, got and
allowed. The core knows no HTTP: one table in `api/problems.py` maps these to statuses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong (or legal but useless) in an input, with its place.

    where    the file or source as the person named it, e.g. "quillfin.toml"; None when there is no file
    entry    which entry, e.g. "rule 'closing-15'" or "zone 3"
    message  what is wrong and what would be right: "priority is 101, allowed are 0 to 100"
    level    a "fault" refuses the whole input, a "warning" refuses nothing
    code     stable word for programs, e.g. "unknown-zone"
    """

    entry: str
    message: str
    code: str
    where: str | None = None
    level: Literal["fault", "warning"] = "fault"

    def __str__(self) -> str:
        parts = [p for p in (self.where, self.entry) if p]
        return ": ".join([*parts, self.message])


class OyezError(Exception):
    """Base of all; never raised itself."""

    code = "error"
    exit_status = 1


class InputError(OyezError):
    code = "bad-input"
    exit_status = 2


class VenueFaults(InputError):
    """A venue file that cannot be used. `faults` holds every fault found, in file order."""

    code = "venue-faults"

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(f) for f in self.faults))


class ClipRefused(InputError):
    """An audio file that cannot become a clip. `code` says why: empty, truncated, silent, not-audio, ..."""

    def __init__(self, name: str, why: str, code: str) -> None:
        self.name = name
        self.why = why
        self.code = code
        super().__init__(f"{name}: {why}")


class NotFound(OyezError):
    code = "not-found"
    exit_status = 2


class NotAllowed(OyezError):
    code = "not-allowed"


class TooLarge(InputError):
    code = "too-large"


class Conflict(OyezError):
    code = "conflict"


class WorkFailed(OyezError):
    code = "work-failed"


class EngineGone(WorkFailed):
    code = "engine-gone"
