"""The inks of a letter: readers of mail know no css variables, so they are read from inks.css."""

import re
from functools import cache
from pathlib import Path

from django.conf import settings


@cache
def mail_inks() -> dict[str, str]:
    """Each ink of the paper theme by its name, with an underscore for a hyphen."""
    path = Path(settings.BASE_DIR) / "config" / "static" / "css" / "inks.css"
    root = path.read_text(encoding="utf-8").split("}")[0]
    found = re.findall(r"--([\w-]+):\s*(#[0-9a-fA-F]{3,6});", root)
    return {name.replace("-", "_"): value for name, value in found}
