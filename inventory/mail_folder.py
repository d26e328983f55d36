"""Post of a farm without a mail server: a folder of letters, one .eml a message.

A letter's file is named by its Message-ID, so that one handed over twice is there once.
"""

import os
from collections.abc import Sequence
from pathlib import Path

from django.conf import settings
from django.core.mail import EmailMessage
from django.core.mail.backends.base import BaseEmailBackend


class MailFolder(BaseEmailBackend):
    """Write each letter into FARM_HOME/mail, whole or not at all."""

    def send_messages(self, email_messages: Sequence[EmailMessage]) -> int:
        folder = Path(settings.MAIL_FOLDER)
        folder.mkdir(parents=True, exist_ok=True)
        for message in email_messages:
            letter = message.message()
            name = str(letter["Message-ID"]).strip("<>").split("@")[0]
            half = folder / f".{name}.{os.getpid()}"
            # Django's own letters take a linesep; the stubs know only the standard library's.
            half.write_bytes(letter.as_bytes(linesep="\r\n"))  # type: ignore[call-arg]
            half.rename(folder / f"{name}.eml")
        return len(email_messages)
