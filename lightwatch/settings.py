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
    near_m: float | None = Field(
        default=None,
        gt=0,
        description="a report that names no light belongs to the nearest up to so far "
        "[m]; by default as far as the spacing of the lights suggests",
    )
