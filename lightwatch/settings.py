"""One frozen settings object, read from the environment."""

from __future__ import annotations

from pydantic import Field
from pydantic_settings import BaseSettings, SettingsConfigDict


class Settings(BaseSettings):
    """What may be set from outside, each as ``LIGHTWATCH_<NAME>``."""

    model_config = SettingsConfigDict(env_prefix="LIGHTWATCH_", frozen=True)

    database_url: str = Field(
        default="sqlite:///lightwatch.db",
        description="where the store is, as an SQLAlchemy URL",
    )
