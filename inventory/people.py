"""People and what each may do."""

from typing import Any, ClassVar

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.db import models

from inventory.errors import NotAllowed


class Role(models.TextChoices):
    GROWER = "grower", "grower"
    LEAD = "lead", "grower lead"
    PACKER = "packer", "picker and packer"
    OFFICE = "office", "office"
    OWNER = "owner", "owner"
    BUYER = "buyer", "buyer"


STAFF = frozenset({Role.GROWER, Role.LEAD, Role.PACKER, Role.OFFICE, Role.OWNER})

# Who may do what. An act that is not named here is nobody's.
RIGHTS: dict[str, frozenset[str]] = {
    "walk": frozenset({Role.GROWER, Role.LEAD, Role.OWNER}),
    "key_walk_cards": frozenset({Role.LEAD, Role.OFFICE, Role.OWNER}),
    "settle_walk_notes": frozenset({Role.LEAD, Role.OFFICE, Role.OWNER}),
    "pair_phones": frozenset({Role.LEAD, Role.OFFICE, Role.OWNER}),
    "count_at_pick": frozenset({Role.GROWER, Role.LEAD, Role.PACKER, Role.OWNER}),
    "raise_hold": STAFF,
    "lift_hold": frozenset({Role.LEAD, Role.OWNER}),
    "lift_hold_early": frozenset({Role.OWNER}),
    "confirm_hold": frozenset({Role.LEAD, Role.OWNER}),
    "rest_strain": frozenset({Role.LEAD, Role.OWNER}),
    "propose_colour": frozenset({Role.GROWER, Role.LEAD, Role.OFFICE, Role.OWNER}),
    "grade_ready": frozenset({Role.GROWER, Role.LEAD, Role.OWNER}),
    "record_cut": frozenset({Role.GROWER, Role.LEAD, Role.OWNER}),
    "release_mounts": frozenset({Role.LEAD, Role.OWNER}),
    "take_from_kept": frozenset({Role.LEAD, Role.OWNER}),
    "ask_recall": frozenset({Role.LEAD, Role.OFFICE, Role.OWNER}),
    "sign_recall": frozenset({Role.OFFICE, Role.OWNER}),
    "note_care": frozenset({Role.GROWER, Role.LEAD, Role.OWNER}),
    "set_care_schedule": frozenset({Role.LEAD, Role.OWNER}),
    "test_water": frozenset({Role.GROWER, Role.LEAD, Role.OFFICE, Role.OWNER}),
    "release_lot": frozenset({Role.LEAD, Role.OWNER}),
    "keep_cohorts": frozenset({Role.GROWER, Role.LEAD, Role.OWNER}),
    "lower_floor": frozenset({Role.OWNER}),
    "publish_list": frozenset({Role.OFFICE, Role.OWNER}),
    "order_for_customer": frozenset({Role.OFFICE, Role.OWNER}),
    "share_out": frozenset({Role.OFFICE, Role.OWNER}),
    "free_promise": frozenset({Role.OFFICE, Role.OWNER}),
    "confirm_line": frozenset({Role.OFFICE, Role.OWNER}),
    "draw_sheets": frozenset({Role.OFFICE, Role.OWNER, Role.PACKER, Role.LEAD}),
    "pick": frozenset({Role.PACKER, Role.LEAD, Role.OWNER, Role.OFFICE}),
    "pack": frozenset({Role.PACKER, Role.LEAD, Role.OWNER}),
    "note_incident": STAFF,
    "end_incident": frozenset({Role.LEAD, Role.OWNER}),
    "plan_packs": frozenset({Role.OFFICE, Role.OWNER, Role.PACKER}),
    "clear_after_stop": frozenset({Role.OWNER}),
    "enter_forecast": frozenset({Role.OFFICE, Role.OWNER}),
    "sign_loss_rules": frozenset({Role.OFFICE, Role.OWNER}),
    "approve_credit": frozenset({Role.OFFICE, Role.OWNER}),
    "approve_any_credit": frozenset({Role.OWNER}),
    "move_clock": frozenset({Role.OFFICE, Role.OWNER}),
    "send_messages_again": frozenset({Role.OFFICE, Role.OWNER}),
    "edit_prices": frozenset({Role.OFFICE, Role.OWNER}),
    "read_the_books": frozenset({Role.OWNER}),
    "open_edit_pages": frozenset({Role.LEAD, Role.OFFICE, Role.OWNER}),
    "set_office_numbers": frozenset({Role.OFFICE, Role.OWNER}),
    "set_grower_numbers": frozenset({Role.LEAD, Role.OWNER}),
    "edit_customers": frozenset({Role.OFFICE, Role.OWNER}),
    "edit_lanes": frozenset({Role.OFFICE, Role.OWNER}),
    "edit_strains": frozenset({Role.LEAD, Role.OFFICE, Role.OWNER}),
    "draft_law_rows": frozenset({Role.OFFICE, Role.OWNER}),
    "sign_law_rows": frozenset({Role.OWNER}),
    "edit_calendar": frozenset({Role.OFFICE, Role.OWNER}),
    "edit_people": frozenset({Role.OFFICE, Role.OWNER}),
    "edit_owners": frozenset({Role.OWNER}),
    "see_staff_pages": STAFF,
}


class UserManager(BaseUserManager["User"]):
    def create_user(self, email: str, password: str | None = None, **fields: Any) -> "User":
        user = self.model(email=self.normalize_email(email).lower(), **fields)
        user.set_password(password)
        user.save()
        return user


class User(AbstractBaseUser):
    """A person with an e-mail log-in and one role."""

    code = models.CharField(max_length=12, unique=True)
    email = models.EmailField(unique=True)
    name = models.CharField(max_length=80)
    role = models.CharField(max_length=8, choices=Role.choices)
    is_active = models.BooleanField(default=True)

    objects: ClassVar[UserManager] = UserManager()
    USERNAME_FIELD = "email"
    REQUIRED_FIELDS: ClassVar[list[str]] = ["name", "role"]

    class Meta:
        app_label = "inventory"
        constraints = [
            models.CheckConstraint(condition=models.Q(role__in=Role.values), name="user_role_known")
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.get_role_display()})"

    @property
    def is_staff_member(self) -> bool:
        return self.role in STAFF

    def may(self, act: str) -> bool:
        return self.is_active and self.role in RIGHTS[act]

    def must(self, act: str) -> None:
        """Raise NotAllowed unless this person may do it."""
        if not self.may(act):
            who = " or ".join(sorted(RIGHTS[act]))
            role = self.get_role_display().capitalize()
            raise NotAllowed(role=role, act=act.replace("_", " "), who=who)
