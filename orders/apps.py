from django.apps import AppConfig


class OrdersConfig(AppConfig):
    name = "orders"
    verbose_name = "Who wants what"

    def ready(self) -> None:
        from inventory.triggers import freeze_tables

        # A version is never edited, an event never unsaid.
        freeze_tables("orders_listversion", "orders_listline", "orders_feedevent")
