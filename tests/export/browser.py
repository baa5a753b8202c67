"""Headless Chromium, without network or a profile of its own: pages to PDF and pictures."""

import shutil
import subprocess
from pathlib import Path

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
_SWITCHES = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
]


def browse(folder: Path, *switches: str) -> str:
    """Run it once with a fresh profile in `folder`; what it printed."""
    assert CHROMIUM
    profile = f"--user-data-dir={folder / 'profile'}"
    done = subprocess.run(
        [CHROMIUM, *_SWITCHES, profile, *switches], capture_output=True, text=True, timeout=120, check=True
    )
    return done.stdout


def printed(page: Path, folder: Path) -> Path:
    """A page as PDF."""
    out = folder / f"{page.stem}.pdf"
    browse(folder, "--no-pdf-header-footer", f"--print-to-pdf={out}", page.as_uri())
    return out
