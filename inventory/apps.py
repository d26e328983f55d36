from django.apps import AppConfig
from django.db.models.signals import post_migrate


class InventoryConfig(AppConfig):
    name = "inventory"
    verbose_name = "What stands in the water"

    def ready(self) -> None:
        from inventory.triggers import install_after_migrate

        # SQLite rebuilds a table to alter it and silently drops its triggers.
        post_migrate.connect(install_after_migrate, dispatch_uid="append-only triggers")
