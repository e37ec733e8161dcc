"""Parse, call, answer: the service and its pages."""

from api.service import create_app

__all__ = ["create_app"]
