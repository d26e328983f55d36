"""Gives back what was typed into a box of a walk card that was refused."""

from typing import Any

from django import template

register = template.Library()


@register.simple_tag(takes_context=True)
def typed(context: Any, *parts: Any) -> str:
    """What stood in the box of that name when the card was sent."""
    return str(context["typed"].get("".join(map(str, parts)), ""))
