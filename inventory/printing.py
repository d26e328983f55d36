"""Paper: HTML to PDF, and the QR codes that stand on it.

Call from: inventory/walk_papers.py, orders/papers.py, shipping/papers.py.
"""

from dataclasses import dataclass
from pathlib import Path

import segno
from django.conf import settings

PAPER_CSS = Path(settings.BASE_DIR) / "config" / "static" / "css"
QUIET_MODULES = 4
MODULE_MM = 0.9


@dataclass(frozen=True, slots=True)
class QrCode:
    """A QR code as a picture for a page, and the side at which its modules can be scanned."""

    uri: str
    side_mm: float


def qr_code(*, text: str, module_mm: float = MODULE_MM) -> QrCode:
    """A QR code at error correction level Q with the quiet zone of four modules.

    Level Q survives a quarter of the code being wet or torn. A module is never smaller than 0.75
    mm, for a phone behind a wet bag.

    Source: ISO/IEC 18004, quiet zone of four modules; the module size is common practice.
    """
    code = segno.make_qr(text, error="q", boost_error=False)
    modules = code.symbol_size(border=QUIET_MODULES)[0]
    uri = code.svg_data_uri(border=QUIET_MODULES, omitsize=True)
    return QrCode(uri=uri, side_mm=round(modules * module_mm, 2))


def render_pdf(html: str, *css_names: str) -> bytes:
    """A PDF of one document. WeasyPrint is slow to import, so it is read here and not before."""
    from weasyprint import CSS, HTML

    sheets = [CSS(filename=str(PAPER_CSS / name)) for name in css_names]
    pdf: bytes = HTML(string=html, base_url=str(PAPER_CSS)).write_pdf(stylesheets=sheets)
    return pdf
