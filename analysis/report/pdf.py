"""A PDF of the report, by a browser without a window, where one is found."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from acquisition.errors import AnalysisError

BROWSERS = ("chromium", "chromium-browser", "headless-shell")
"""Programs that print a page to PDF with the same options."""

LONGEST_S = 90.0


def find_browser(named: str | None = None) -> str:
    """Path of a browser that can print.

    Parameters
    ----------
    named : str, optional
        Program or path to use; the first of ``BROWSERS`` on the search path when left out.

    Raises
    ------
    AnalysisError
        There is none.
    """
    for name in (named,) if named else BROWSERS:
        if found := shutil.which(name):
            return found
    raise AnalysisError(
        f"no PDF: {named or 'Chromium'} was not found on this machine",
        hint="the HTML report is written; print it from any browser, or name one with --browser PROGRAM",
    )


def print_to_pdf(page: Path, pdf: Path, browser: str, paper: str = "A4") -> None:
    """Print a report.

    Parameters
    ----------
    page : Path
        The HTML file.
    pdf : Path
        File to write.
    browser : str
        From `find_browser`.
    paper : str
        ``A4`` or ``letter``.

    Raises
    ------
    AnalysisError
        The browser failed or took too long.
    """
    building = pdf.absolute().with_name(f".{pdf.name}.{os.getpid()}.part")  # renamed when whole
    with tempfile.TemporaryDirectory(prefix="stagewalk-pdf-", ignore_cleanup_errors=True) as profile:
        sized = Path(profile) / "report.html"
        text = page.read_text("utf-8")
        sized.write_text(text.replace("</head>", f"<style>@page {{ size: {paper}; }}</style></head>", 1), "utf-8")
        command = [
            browser, "--headless", "--disable-gpu", "--no-pdf-header-footer", "--disable-background-networking",
            "--no-first-run", f"--user-data-dir={profile}", "--virtual-time-budget=8000",
            f"--print-to-pdf={building}", sized.as_uri(),
        ]  # fmt: skip
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # a browser refuses its sandbox to root
        try:
            done = subprocess.run(command, capture_output=True, timeout=LONGEST_S, check=False)  # noqa: S603
        except (OSError, subprocess.TimeoutExpired) as error:
            raise AnalysisError(
                f"no PDF: {browser} did not finish: {error}", hint="print the HTML report"
            ) from error
    if done.returncode or not building.is_file():
        building.unlink(missing_ok=True)
        last = (done.stderr.decode("utf-8", "replace").strip().splitlines() or ["no message"])[-1]
        raise AnalysisError(f"no PDF: {browser} said: {last}", hint="print the HTML report from a browser")
    building.replace(pdf)
