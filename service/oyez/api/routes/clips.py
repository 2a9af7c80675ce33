"""Clips: list, listen, look at, add by upload.

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

from fastapi import APIRouter, Depends, File, Form, Path, Query, Request, Response, UploadFile
from starlette.responses import FileResponse

from oyez.api.clip_views import clip_view
from oyez.api.importing import import_file
from oyez.api.picturing import picture_of
from oyez.api.ports import ClipEntry, DirectorPort
from oyez.api.routes.common import Desk, asker, known_form, problems
from oyez.api.schemas import Asker, ClipView, ImportedView, NewId, PictureView
from oyez.clips.names import checked_name, clip_id_for, title_for
from oyez.errors import NotFound
from oyez.loudness.drawing import WIDTH, WIDTH_LEAST, WIDTH_MOST, draw
from oyez.loudness.picture import picture_tree
from oyez.loudness.svg import to_svg
from oyez.settings import Settings
from oyez.venue.models import Title

router = APIRouter(prefix="/api/clips", tags=["clips"])

UPLOAD_LIMIT = 200 * 1024 * 1024
_BLOCK = 1 << 20

WhichClip = Annotated[str, Path(description="A clip's id in the venue file", examples=["closing-15"])]


@router.get("", responses=problems(503))
def read(director: Desk, request: Request) -> list[ClipView]:
    """Every clip: is it fit to air, at what level, and which rules play it."""
    venue, settings = director.venue(), request.app.state.settings

    def there(clip: ClipEntry) -> bool:
        digest = clip.facts.sha256 if clip.facts is not None else None
        return digest is not None and stored_path(settings, digest).is_file()

    return [clip_view(clip, venue, there=there(clip)) for clip in director.clips()]


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
    trim: Annotated[bool, Form(description="Whether to cut the silence at both ends", examples=[False])] = False,
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
        imported = import_file(settings, held, name=name, kind=kind, trim=trim)
    finally:
        held.unlink(missing_ok=True)
    clip_id = id_ or clip_id_for(name, {clip.id for clip in director.clips()})
    clip = director.add_clip(imported, clip_id=clip_id, title=shown, kind=kind, asked_by=asker(request, by))
    response.headers["location"] = f"/api/clips/{clip.id}/audio"
    view = clip_view(clip, director.venue()).model_dump()
    found = {
        "lead_silence_ms": int(imported["lead_silence_ms"]),
        "tail_silence_ms": int(imported["tail_silence_ms"]),
        "original": name,
    }
    return ImportedView(**{**view, **found})


@router.get(
    "/{clip_id}/audio",
    response_class=FileResponse,
    responses={200: {"content": {"audio/wav": {}}, "description": "48 kHz, 32-bit float WAV"}, **problems(404)},
)
def audio(director: Desk, request: Request, clip_id: WhichClip) -> FileResponse:
    """A clip's stored audio."""
    settings: Settings = request.app.state.settings
    _, digest = _stored(director, clip_id)
    path = stored_path(settings, digest)
    if not path.is_file():
        raise _gone(clip_id)
    return FileResponse(path, media_type="audio/wav", headers={"etag": f'"{digest}"'})


@router.get("/{clip_id}/picture", responses=problems(404, 500))
def picture(director: Desk, request: Request, clip_id: WhichClip) -> PictureView:
    """A clip's loudness, peaks and waveform over time, as measured. The first look may take some seconds."""
    _, digest = _stored(director, clip_id)
    found = picture_of(request.app.state.settings, digest, clip_id=clip_id)
    return PictureView.model_validate(picture_tree(found))


@router.get(
    "/{clip_id}/picture.svg",
    response_class=Response,
    responses={
        200: {"content": {"image/svg+xml": {}}, "description": "The same as a drawing"},
        **problems(404, 500),
    },
)
def picture_svg(
    director: Desk,
    request: Request,
    clip_id: WhichClip,
    width: Annotated[
        int, Query(description="Width in CSS px", ge=WIDTH_LEAST, le=WIDTH_MOST, examples=[WIDTH])
    ] = WIDTH,
    styled: Annotated[
        bool, Query(description="Whether it carries its own colours; false: a page gives them", examples=[True])
    ] = True,
) -> Response:
    """The same drawn: LUFS over time with the gate, and the waveform with its peaks."""
    clip, digest = _stored(director, clip_id)
    found = picture_of(request.app.state.settings, digest, clip_id=clip_id)
    text = to_svg(draw(found, title=clip.title, width=width), styled=styled)
    # Looked at by itself it may use the colours it carries, and nothing else.
    rules = {"content-security-policy": "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"}
    return Response(text, media_type="image/svg+xml", headers=rules)


def _stored(director: DirectorPort, clip_id: str) -> tuple[ClipEntry, str]:
    """The clip and its audio's identity. Raises NotFound for a clip that there is not or that has no audio."""
    clip = next((c for c in director.clips() if c.id == clip_id), None)
    if clip is None:
        raise NotFound(f"there is no clip '{clip_id}'")
    if clip.facts is None or clip.facts.sha256 is None:
        raise _gone(clip_id)
    return clip, clip.facts.sha256


def _gone(clip_id: str) -> NotFound:
    return NotFound(f"clip '{clip_id}': its audio is not in the store, add its file again")


def stored_path(settings: Settings, digest: str) -> pathlib.Path:
    return settings.audio / digest[:2] / f"{digest}.wav"


def _ending(name: str) -> str:
    """A harmless ending, as a hint for the decoder."""
    ending = PurePosixPath(name).suffix.lower()
    return ending if re.fullmatch(r"\.[a-z0-9]{1,5}", ending) else ""
