"""What tests share beside fixtures."""

from datetime import datetime

from config.playing import zone


def farm_time(text):
    """A farm wall-clock time such as "2026-11-25 14:00" as a moment."""
    return datetime.fromisoformat(text).replace(tzinfo=zone())


def log_in(browser, server, email):
    """A page of the browser with a person logged in, or with nobody."""
    from inventory.models import User

    if not email:
        return browser.new_context(base_url=server.url).new_page()
    user = User.objects.get(email=email)
    user.set_password("slack water")
    user.save()
    page = browser.new_context(base_url=server.url).new_page()
    page.goto("/log-in/")
    page.fill("#id_username", email)
    page.fill("#id_password", "slack water")
    page.click("main button[type=submit]")
    return page


def page_words(answer):
    """What a page says, with every gap between words as one space, as a browser shows it."""
    return " ".join(answer.content.decode().split())


def table_rows():
    """Every table of the farm by name, as a mark of its rows as the database gives them."""
    from django.apps import apps
    from django.db import connection

    found = {}
    for app in ("inventory", "orders", "shipping"):
        for model in apps.get_app_config(app).get_models(include_auto_created=True):
            with connection.cursor() as cursor:
                cursor.execute(f'SELECT * FROM "{model._meta.db_table}" ORDER BY 1')
                found[model._meta.db_table] = hash(repr(cursor.fetchall()))
    return found
