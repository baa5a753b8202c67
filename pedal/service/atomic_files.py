"""Writing so that a power cut leaves the old file or the new one, never half of either."""

import os
from pathlib import Path


def write_whole(path: Path, content: bytes) -> None:
    """Replace a file at once. Raises OSError; then the old one is untouched."""
    part = path.with_name(f"{path.name}.part")
    try:
        with open(part, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except BaseException:  # Ctrl-C, too, leaves nothing half made
        part.unlink(missing_ok=True)
        raise
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)  # the name, too, has to reach the card
    finally:
        os.close(folder)


def why_not_writable(folder: Path) -> str | None:
    """Why nothing can be kept in a folder (read-only, full, not ours), or None. Writes, and tidies up."""
    probe = folder / ".probe"
    try:
        write_whole(probe, bytes(4096))
        probe.unlink()
    except OSError as error:
        return error.strerror or str(error)
    return None
