"""A section: what every table of a settings or sound file is made of."""

from pydantic import BaseModel, ConfigDict


class Section(BaseModel):
    """A strict, frozen table of the settings file."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)
