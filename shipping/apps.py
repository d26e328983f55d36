from django.apps import AppConfig


class ShippingConfig(AppConfig):
    name = "shipping"
    verbose_name = "How it leaves and arrives"
