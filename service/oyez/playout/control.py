"""The engine's socket: reads one JSON object a line, calls what was asked for, answers one a line.

Each connection has a thread of its own, so a slow asker delays nobody. Knows the manners, not the meaning: the
table of what can be asked is given to it. The socket's folder is its owner's alone.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import tempfile
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from oyez.errors import InputError, OyezError
from oyez.playout.journal import replace_file
from oyez.playout.link import LONGEST_LINE, LONGEST_SOCKET_PATH, SOCKET_NAME, SOCKET_POINTER

Answerer = Callable[[Mapping[str, Any]], dict[str, Any]]
MOST_CONNECTIONS = 64
IDLE_S = 60.0


class Control:
    """Listens until closed.

    answers   word -> what to do; raises OyezError for a refusal
    streams   word -> what takes over the connection after the request line
    """

    def __init__(
        self,
        folder: Path,
        *,
        answers: Mapping[str, Answerer],
        streams: Mapping[str, Callable[[socket.socket, Mapping[str, Any]], None]],
        fault: Callable[[str, BaseException], None],
    ) -> None:
        self._answers, self._streams, self._fault = answers, streams, fault
        self._slots = threading.BoundedSemaphore(MOST_CONNECTIONS)
        self._made: Path | None = None
        self.path = self._place(folder)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        with suppress(FileNotFoundError):
            self.path.unlink()
        before = os.umask(0o177)
        try:
            self._socket.bind(str(self.path))
        finally:
            os.umask(before)
        self._socket.listen(32)
        self._closing = False
        self._thread = threading.Thread(target=self._accept, name="control", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._closing = True
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        with suppress(FileNotFoundError):
            self.path.unlink()
        if self._made is not None:
            shutil.rmtree(self._made, ignore_errors=True)

    def _place(self, folder: Path) -> Path:
        """In the engine's folder; a path too long for a socket goes into a short folder, and a file says where."""
        pointer = folder / SOCKET_POINTER
        with suppress(FileNotFoundError, OSError):
            left = Path(pointer.read_text(encoding="utf-8").strip()).parent
            if left.name.startswith("oyez-") and left.parent == Path(tempfile.gettempdir()):
                shutil.rmtree(left, ignore_errors=True)
        pointer.unlink(missing_ok=True)
        path = folder / SOCKET_NAME
        if len(os.fsencode(path)) <= LONGEST_SOCKET_PATH:
            return path
        self._made = Path(tempfile.mkdtemp(prefix="oyez-"))
        path = self._made / SOCKET_NAME
        replace_file(pointer, os.fsencode(path))
        return path

    def _accept(self) -> None:
        while not self._closing:
            try:
                link, _ = self._socket.accept()
            except OSError:
                return
            if not self._slots.acquire(blocking=False):
                with link, suppress(OSError):
                    link.settimeout(1.0)
                    link.sendall(_line({"ok": False, "code": "conflict", "error": "too many connections"}))
                continue
            threading.Thread(target=self._serve, args=(link,), name="asker", daemon=True).start()

    def _serve(self, link: socket.socket) -> None:
        try:
            with link, link.makefile("rb") as lines:
                link.settimeout(IDLE_S)
                while True:
                    line = lines.readline(LONGEST_LINE)
                    if not line:
                        return
                    if not self._serve_line(link, line):
                        return
        except OSError:
            return  # the asker left
        finally:
            self._slots.release()

    def _serve_line(self, link: socket.socket, line: bytes) -> bool:
        """Answer one line. False when the connection is used up."""
        try:
            request = _read(line)
            word = str(request.get("do"))
            if word in self._streams:
                self._streams[word](link, request)
                return False
            if word not in self._answers:
                known = ", ".join([*self._answers, *self._streams])
                raise InputError(f"'do' is '{word}', allowed are {known}")
            answer = {"ok": True, **self._answers[word](request)}
        except OyezError as error:
            answer = {"ok": False, "code": error.code, "error": str(error)}
        except (KeyError, TypeError, ValueError) as error:
            answer = {"ok": False, "code": InputError.code, "error": f"the request does not fit: {error!r}"}
        except OSError as error:
            answer = {
                "ok": False,
                "code": "work-failed",
                "error": f"the engine could not: {error.strerror or error}",
            }
        except Exception as error:  # noqa: BLE001 - a defect here must not take the engine's control away
            self._fault("control", error)
            answer = {"ok": False, "code": "work-failed", "error": f"the engine failed at it: {error!r}"}
        link.sendall(_line(answer))
        return True


def _read(line: bytes) -> Mapping[str, Any]:
    if not line.endswith(b"\n"):
        raise InputError(f"a request is one line of at most {LONGEST_LINE} bytes")
    try:
        request = json.loads(line)
    except ValueError as error:
        raise InputError(f"a request is one JSON object a line: {error}") from error
    if not isinstance(request, dict):
        raise InputError(f"a request is a JSON object, got {type(request).__name__}")
    return request


def _line(tree: Mapping[str, Any]) -> bytes:
    return json.dumps(tree, separators=(",", ":")).encode() + b"\n"
