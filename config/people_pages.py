"""Pages by which a person gets in: the link of a letter, and asking for one."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from inventory.clock import farm_now, machine_now
from inventory.door import staff_only
from inventory.errors import FarmError, Unknown
from inventory.log_in_links import ask_reset, link_of, mail_link, set_password
from inventory.models import LogInLink, User


@sensitive_post_parameters("password", "again")
@never_cache
def link_page(request: HttpRequest, token: str) -> HttpResponse:
    """Set a password by the link of a letter. Opening it uses nothing up; setting does, once."""
    now = machine_now()
    link = link_of(token=token, now=now)
    error: FarmError | None = None
    if request.method == "POST":
        try:
            user = set_password(
                token=token,
                password=request.POST.get("password", ""),
                again=request.POST.get("again", ""),
                now=now,
            )
        except FarmError as refusal:
            error = refusal
        else:
            messages.success(request, f"{user.name}, your password is set. Log in with it.")
            return redirect("login")
    answer = render(
        request, "set_password.html", {"person": link.user, "error": error},
        status=error.status if error else 200,
    )  # fmt: skip
    # The word in the address must not reach another house by a link on the page.
    answer["Referrer-Policy"] = "no-referrer"
    return answer


@never_cache
def ask_link_page(request: HttpRequest) -> HttpResponse:
    """Ask for a link by mail. The answer is the same whether the address is known or not."""
    if request.method == "POST":
        ask_reset(email=request.POST.get("email", ""), now=machine_now(), at=farm_now())
        messages.success(
            request, "If that address is known here, a letter with a link is on its way."
        )
        return redirect("login")
    return render(request, "ask_link.html")


@login_required
@require_POST
def mail_link_page(request: HttpRequest, code: str) -> HttpResponse:
    """Mail a person a link that sets a new password."""
    by = staff_only(request)
    user = User.objects.filter(code=code).first()
    if user is None:
        raise Unknown(kind="person", name=code[:20])
    kind = LogInLink.Kind.RESET if user.has_usable_password() else LogInLink.Kind.INVITE
    by.must("edit_people")
    mail_link(user=user, kind=kind, by=by, now=machine_now(), at=farm_now())
    messages.success(request, f"A letter with a link is on its way to {user.email}.")
    return redirect("edit-row", "people", user.code)
