"""Files attached to a case, for print: pictures made ready by what they hold, not by what they are called."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from advisor.paper.printed import safe

__all__ = ["AttachedFile", "Picture", "attached_files", "picture"]

_SIGNATURES = {b"\x89PNG\r\n\x1a\n": "PNG", b"\xff\xd8\xff": "JPEG"}
_LARGEST = 1600  # pixels of the longer side on the sheet: 200 a centimetre at 8 cm, as good as print shows
_LARGE_PNG = 1_000_000  # bytes
_MOST_PIXELS = 80_000_000  # a picture that unpacks to more is not opened


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture ready to print: encoded anew, so that nothing but its pixels is left. `media` is image/png or image/jpeg."""

    data: bytes
    media: str
    width: int
    height: int

    @property
    def uri(self) -> str:
        """The picture as a data: URI; it holds no character that could end an attribute."""
        import base64

        from markupsafe import Markup

        return Markup(f"data:{self.media};base64,{base64.b64encode(self.data).decode('ascii')}")


@dataclass(frozen=True, slots=True)
class AttachedFile:
    """An attached file: its name, size in words, the first digits of its SHA-256, the picture if it is one, a remark."""

    name: str
    size: str
    digest: str
    picture: Picture | None
    remark: str


def attached_files(events: Iterable[Mapping[str, Any]], attachments: Mapping[str, bytes]) -> Iterator[AttachedFile]:
    """The files of the `attach` events, each with its picture if its bytes are at hand, unharmed and a PNG or JPEG."""
    for event in events:
        sha = str(event.get("sha256") or "")
        name, shown = safe(event.get("name"), 200) or "without a name", safe(sha)[:12]
        data = attachments.get(sha)
        if data is None:
            yield AttachedFile(name, _size(event.get("size")), shown, None, "its content is not in this log")
        elif hashlib.sha256(data).hexdigest() != sha.lower():
            yield AttachedFile(name, _size(len(data)), shown, None, "not shown: its content is not what was attached")
        else:
            found = picture(data)
            looks = any(data.startswith(start) for start in _SIGNATURES)
            remark = "a picture that cannot be read" if looks and found is None else ""
            yield AttachedFile(name, _size(len(data)), shown, found, remark)


def picture(data: bytes) -> Picture | None:
    """The picture in these bytes, turned upright, at most 1600 pixels a side; None when they hold no sound PNG or JPEG.

    It is decoded and encoded anew: places, names and anything hidden behind the pixels stay out of the sheet.
    """
    kind = next((k for start, k in _SIGNATURES.items() if data.startswith(start)), None)
    if kind is None:
        return None
    from PIL import Image, ImageOps

    try:
        with Image.open(io.BytesIO(data), formats=[kind]) as opened:
            if opened.width * opened.height > _MOST_PIXELS:
                return None
            opened.draft("RGB", (_LARGEST, _LARGEST))  # a large JPEG is read at a fraction of its size
            upright = ImageOps.exif_transpose(opened)
            clear = upright.mode in ("RGBA", "LA", "PA") or "transparency" in upright.info
            upright = upright.convert("RGBA" if clear else "RGB")
            if clear:  # paper is white
                ground = Image.new("RGB", upright.size, "white")
                ground.paste(upright, mask=upright.getchannel("A"))
                upright = ground
            upright.thumbnail((_LARGEST, _LARGEST))
            out = io.BytesIO()
            upright.info.clear()
            upright.save(out, kind, **({"quality": 85} if kind == "JPEG" else {"optimize": True}))
            if out.tell() > _LARGE_PNG and kind == "PNG":  # a photograph
                kind, out = "JPEG", io.BytesIO()
                upright.save(out, kind, quality=85)
    except Exception:  # decoders raise errors of many kinds on damaged files; to the sheet they all mean the same
        return None
    return Picture(out.getvalue(), f"image/{kind.lower()}", upright.width, upright.height)


def _size(size: Any) -> str:
    try:
        number = float(size)
    except (TypeError, ValueError):
        return "size not known"
    for unit in ("bytes", "kB", "MB"):
        if number < 1000 or unit == "MB":
            return f"{number:.0f} {unit}" if unit == "bytes" else f"{number:.3g} {unit}"
        number /= 1000
    return ""
