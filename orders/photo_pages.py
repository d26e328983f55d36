"""The photo of a listing, for whoever may see a list."""

from pathlib import Path

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse

from inventory.kept_files import file_answer, kept_file
from inventory.models import Listing


def photo_path(*, name: str) -> Path:
    """Where a listing's photo is kept: re-encoded, without place or camera. Raises Unknown."""
    photo = Listing.objects.filter(name=name).values_list("photo", flat=True).first()
    return kept_file(name=photo or "", folder="photos", what="photo of listing", of=name[:30])


@login_required
def listing_photo_page(request: HttpRequest, name: str) -> HttpResponse:
    """The file as it is kept. Raises Unknown."""
    return file_answer(request, path=photo_path(name=name), media_type="image/jpeg")
