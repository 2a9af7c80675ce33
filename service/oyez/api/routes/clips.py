"""Clips: list, listen, add by upload.

The file's bytes pass through a file of our own naming in the data folder, and a process of its own proves that
they are audio: the web process carries no decoder, and a bad file cannot harm it.
"""

from __future__ import annotations

import os
import pathlib
import re
import secrets
import shutil
from pathlib import PurePosixPath
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, File, Form, Path, Request, Response, UploadFile
from starlette.responses import FileResponse

from oyez.api.importing import import_file
from oyez.api.routes.common import Desk, asker, known_form, problems
from oyez.api.schemas import Asker, ClipView, ImportedView, NewId
from oyez.api.views import clip_view
from oyez.clips.names import checked_name, clip_id_for, title_for
from oyez.errors import NotFound
from oyez.settings import Settings
from oyez.venue.models import Title

router = APIRouter(prefix="/api/clips", tags=["clips"])

UPLOAD_LIMIT = 200 * 1024 * 1024
_BLOCK = 1 << 20


@router.get("", responses=problems(503))
def read(director: Desk) -> list[ClipView]:
    """Every clip with what is known of its audio."""
    return [clip_view(clip) for clip in director.clips()]


@router.post(
    "",
    status_code=201,
    responses=problems(409, 413, 422),
    max_body_size=UPLOAD_LIMIT,
    dependencies=[Depends(known_form)],
)
def add(  # noqa: PLR0917 - the framework calls it by name
    director: Desk,
    request: Request,
    response: Response,
    file: Annotated[UploadFile, File(description="The audio file, up to 200 MB with the form around it")],
    kind: Annotated[
        Literal["speech", "music", "chime", "effect"], Form(description="Kind of clip", examples=["speech"])
    ] = "speech",
    title: Annotated[
        Title | None,
        Form(
            description="Title; default made from the file's name",
            examples=["Closing in fifteen minutes"],
        ),
    ] = None,
    id_: Annotated[
        NewId | None,
        Form(
            alias="id",
            description="Id for the venue file; default made from the file's name",
            examples=["closing-15"],
        ),
    ] = None,
    by: Annotated[
        Asker | None, Form(description="Who adds it; goes into the settings journal", examples=["Manager"])
    ] = None,
) -> ImportedView:
    """Add one audio file as a clip: decoded, measured and stored before the answer. Refused, it leaves nothing."""
    settings: Settings = request.app.state.settings
    name = checked_name(file.filename or "")
    shown = (title or "").strip() or title_for(name)
    spool = settings.data_dir / "spool"
    spool.mkdir(parents=True, exist_ok=True)
    held = spool / f"{secrets.token_hex(16)}{_ending(name)}"
    try:
        with held.open("xb") as out:
            os.chmod(held, 0o600)  # noqa: PTH101 - the name is ours and new
            shutil.copyfileobj(file.file, out, _BLOCK)
        imported = import_file(settings, held, name=name, kind=kind)
    finally:
        held.unlink(missing_ok=True)
    clip_id = id_ or clip_id_for(name, {clip.id for clip in director.clips()})
    clip = director.add_clip(imported, clip_id=clip_id, title=shown, kind=kind, asked_by=asker(request, by))
    response.headers["location"] = f"/api/clips/{clip.id}/audio"
    return ImportedView(
        **clip_view(clip).model_dump(),
        lead_silence_ms=int(imported["lead_silence_ms"]),
        tail_silence_ms=int(imported["tail_silence_ms"]),
        original=name,
    )


@router.get(
    "/{clip_id}/audio",
    response_class=FileResponse,
    responses={200: {"content": {"audio/wav": {}}, "description": "48 kHz, 32-bit float WAV"}, **problems(404)},
)
def audio(
    director: Desk,
    request: Request,
    clip_id: Annotated[str, Path(description="A clip's id in the venue file", examples=["closing-15"])],
) -> FileResponse:
    """A clip's stored audio."""
    settings: Settings = request.app.state.settings
    clip = next((c for c in director.clips() if c.id == clip_id), None)
    if clip is None:
        raise NotFound(f"there is no clip '{clip_id}'")
    digest = clip.facts.sha256 if clip.facts is not None else None
    path = stored_path(settings, digest) if digest is not None else None
    if path is None or not path.is_file():
        raise NotFound(f"clip '{clip_id}': its audio is not in the store, add its file again")
    return FileResponse(path, media_type="audio/wav", headers={"etag": f'"{digest}"'})


def stored_path(settings: Settings, digest: str) -> pathlib.Path:
    return settings.audio / digest[:2] / f"{digest}.wav"


def _ending(name: str) -> str:
    """A harmless ending, as a hint for the decoder."""
    ending = PurePosixPath(name).suffix.lower()
    return ending if re.fullmatch(r"\.[a-z0-9]{1,5}", ending) else ""
