"""The door of this room: a plate file in, its facts out."""

from __future__ import annotations

from tracker.platefile.digest import Digest
from tracker.platefile.guess import e_is_relative
from tracker.platefile.islands import Shadow
from tracker.platefile.platefacts import Plate
from tracker.platefile.reader import Reader
from tracker.platefile.source import CHUNK_BYTES, Progress, Source, check, opened


def read_plate(
    source: Source,
    *,
    filament_diameter_mm: float | None = None,
    density_g_cm3: float | None = None,
    progress: Progress | None = None,
    g90_sets_e: bool = False,
    chunk_bytes: int = CHUNK_BYTES,
) -> Plate:
    """Read a plate file: RepRap-style G-code as text.

    Memory stays bounded whatever the file's length. A file without object markers
    is read twice: once to see its islands, once to tell them apart.

    Args:
        source: A path, bytes, or a binary file that stands at its start.
        filament_diameter_mm: As measured; None takes it from the file, else 1.75.
        density_g_cm3: Of the spool; None takes it from the file, and no mass is given if that has none.
        progress: Is told bytes done and bytes in all.
        g90_sets_e: True for firmware in which G90 and G91 set E too.
        chunk_bytes: Bytes read at a time; the facts do not depend on it.

    Raises:
        PlateRefused: The file is binary, packed, a picture, no text, empty, or deposits nothing.
    """
    with opened(source) as stream:
        check(stream)
        start = stream.tell()
        relative = e_is_relative(stream)
        shadow = Shadow()
        first = Reader(relative_e=relative, g90_sets_e=g90_sets_e, shadow=shadow)
        digest = Digest(first.read(stream, chunk_bytes, progress), filament_diameter_mm, density_g_cm3)
        if digest.needs_islands:
            stream.seek(start)
            again = Reader(relative_e=relative, g90_sets_e=g90_sets_e, locate=shadow.islands())
            digest = Digest(again.read(stream, chunk_bytes, progress), filament_diameter_mm, density_g_cm3)
    return digest.plate()
