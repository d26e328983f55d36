"""The photo of a listing, for whoever may see a list."""

from pathlib import Path

from django.conf import settings
from django.contrib.auth.decorators import login_required
from django.http import FileResponse, HttpRequest

from inventory.errors import Unknown
from inventory.models import Listing


def photo_path(*, name: str) -> Path:
    """Where a listing's photo is kept: re-encoded, without place or camera. Raises Unknown."""
    listing = Listing.objects.filter(name=name).exclude(photo="").first()
    home = Path(settings.FARM_HOME).resolve()
    path = (home / listing.photo).resolve() if listing else home
    if not path.is_file() or not path.is_relative_to(home / "photos"):
        raise Unknown(kind="photo of listing", name=name[:30])
    return path


@login_required
def listing_photo_page(request: HttpRequest, name: str) -> FileResponse:
    """The file as it is kept. Raises Unknown."""
    answer = FileResponse(photo_path(name=name).open("rb"), content_type="image/jpeg")
    answer["Cache-Control"] = "private, max-age=86400"
    return answer
