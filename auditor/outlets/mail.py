"""
Mail through the system's own mailer.

``sendmail -t`` reads a message whose header names the receivers: the interface
that every mailer of a Unix-like system offers (common practice; Linux Standard
Base 5.0, command sendmail).  The message follows RFC 5322.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Sequence
from email.message import EmailMessage
from email.policy import SMTP

from auditor.errors import OutputError

PLACES = ("/usr/sbin/sendmail", "/usr/lib/sendmail", "/usr/bin/sendmail")
MAX_SECONDS = 30
"""For the mailer to take the message: it only queues it; one that hangs must not hold the night up."""


def build_message(lines: Sequence[str], receiver: str) -> bytes:
    """The message, in UTF-8; the first line is its subject."""
    message = EmailMessage(policy=SMTP.clone(linesep="\n"))
    message["To"] = receiver
    message["Subject"] = (
        f"Lighting network: {len(lines)} to tell" if len(lines) > 1 else f"Lighting network: {lines[0]}"[:200]
    )
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834 section 5: nobody answers it by machine
    message.set_content("\n".join(lines) + "\n")
    return message.as_bytes()


def send_mail(lines: Sequence[str], receiver: str, *, mailer: str | None = None) -> None:
    """Hand the lines to the mailer; raises ``OutputError`` where there is none or it refuses."""
    program = (
        mailer
        or next((path for path in PLACES if os.access(path, os.X_OK)), None)
        or shutil.which("sendmail")
    )
    if program is None:
        raise OutputError("mail: this system has no mailer (sendmail); install one, or take mail_to out")
    try:
        done = subprocess.run(  # noqa: S603 - a fixed program, no shell, the receiver stands in the message alone
            [program, "-t", "-oi"],
            input=build_message(lines, receiver),
            capture_output=True,
            timeout=MAX_SECONDS,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise OutputError(f"mail: {error}") from error
    if done.returncode:
        said = done.stderr.decode("utf-8", "replace").strip().splitlines()
        raise OutputError(f"mail: the mailer ended with {done.returncode}{': ' + said[-1] if said else ''}")
