"""Picture files from a microscope: PNG, JPEG and TIFF, 8 or 16 bit, read into grey values; small copies to show."""

from __future__ import annotations

import io
import warnings

import numpy as np
from PIL import Image, UnidentifiedImageError

from app.core.imaging.rays import Picture
from app.core.refusal import Refusal

MOST_PIXELS = 40_000_000
MOST_BYTES = 48 * 1024 * 1024
SHOWN_PX = 1600
FORMATS = ("PNG", "JPEG", "TIFF")
_DEEP = ("I", "F", "I;16", "I;16B", "I;16L", "I;16N")


def read_picture(content: bytes) -> Picture:
    """Grey values, rows × columns, in the file's own scale (16 bit stays 16 bit); Refusal where it is no such picture.

    Of several pages the first is read; colours count alike; size is checked before anything is unpacked.
    """
    if len(content) > MOST_BYTES:
        raise Refusal.of(f"The picture has {len(content) / 2**20:.0f} MB, at most 48 are read.", at="file")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(content), formats=FORMATS) as image:
                _check_size(image)
                gray = _gray(image)
    except UnidentifiedImageError:
        raise Refusal.of(
            "This is no PNG, JPEG or TIFF picture that can be read here; colour TIFF of 16 bit a channel is not: "
            "export it as grey or as 8 bit.",
            at="file",
        ) from None
    except Image.DecompressionBombError:
        raise Refusal.of(_too_many("too many"), at="file") from None
    except (OSError, SyntaxError, ValueError, EOFError, MemoryError, OverflowError):
        raise Refusal.of("The picture is cut short or damaged: copy it again from the microscope.", at="file") from None
    if not np.isfinite(gray).all():
        raise Refusal.of("The picture has values that are no numbers.", at="file")
    return gray


def _check_size(image: Image.Image) -> None:
    pixels = image.width * image.height
    if pixels > MOST_PIXELS:
        raise Refusal.of(_too_many(f"{pixels / 1e6:.0f} million"), at="file")
    if min(image.size) < 32:
        raise Refusal.of(f"The picture has only {image.width} × {image.height} pixels.", at="file")


def _too_many(count: str) -> str:
    return f"The picture has {count} pixels, at most {MOST_PIXELS // 10**6} million are read: crop it to the device."


def _gray(image: Image.Image) -> Picture:
    if image.mode in _DEEP:
        return np.asarray(image, dtype=np.float32)
    if image.mode in ("L", "1"):
        return np.asarray(image.convert("L"), dtype=np.float32)
    colours = np.asarray(image.convert("RGB"), dtype=np.float32)
    return np.ascontiguousarray(colours.mean(axis=2))


def shown_picture(content: bytes) -> bytes:
    """A JPEG of the picture for the page, its brightness stretched to what is seen and at most 1600 px on a side."""
    gray = read_picture(content)
    low, high = np.percentile(gray[::4, ::4], (0.2, 99.8))
    stretched = np.clip((gray - low) / max(float(high - low), 1e-12) * 255, 0, 255).astype(np.uint8)
    image = Image.fromarray(stretched)
    image.thumbnail((SHOWN_PX, SHOWN_PX))
    file = io.BytesIO()
    image.save(file, "JPEG", quality=88)
    return file.getvalue()


def media_type(content: bytes) -> str:
    """The picture's media type by its first bytes."""
    kinds: tuple[tuple[bytes, str], ...] = ((b"\x89PNG", "image/png"), (b"\xff\xd8", "image/jpeg"))
    return next((name for start, name in kinds if content.startswith(start)), "image/tiff")
