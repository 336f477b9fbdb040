"""`placecheck doctor`: whether this machine has what the checker needs.

Looks at Python, at OpenCV (one distribution, version 5 or later, its system libraries), at HEIC
support, at the folder for records and settings, at the settings and at whether the records can be
read. Every row is good or says what to do. Exit status 0 when all that is needed is there, else 1.
"""

from __future__ import annotations

import typer


def register(app: typer.Typer) -> None:
    app.command("doctor")(doctor)


def doctor() -> None:
    """See whether this computer has all that placecheck needs."""
    from placecheck.settings import home_named
    from placecheck.system import examine

    findings = examine(home_named())
    for finding in findings:
        mark = "ok  " if finding.good else ("FAIL" if finding.needed else "none")
        print(f"{mark}  {finding.what}: {finding.message}")
    if any(finding.needed and not finding.good for finding in findings):
        raise typer.Exit(1)
