"""What may be asked of the running daemon: plain values, no path and no code.

Threads: any. Each request says in ``ask`` which one it is; a key too many is a fault.
"""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from config.bindings import Target


class _Question(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class AskStatus(_Question):
    """How it is."""

    ask: Literal["status"]


class AskWhy(_Question):
    """What did not sound as played."""

    ask: Literal["why"]
    boot: int = Field(default=0, ge=-9_999, le=4_294_967_295)
    """Its number; 0: this one, -1: the one before."""
    last: int = Field(default=20, ge=1, le=1000)
    """So many entries at most."""


class AskLearn(_Question):
    """Look for the next knob that is moved; it is to change this from now on."""

    ask: Literal["learn"]
    target: Target
    partial: int = Field(default=0, ge=0, le=128)


class AskLearned(_Question):
    """Whether it has been moved."""

    ask: Literal["learned"]


Request = AskStatus | AskWhy | AskLearn | AskLearned
"""What can be asked."""
REQUEST: TypeAdapter[Request] = TypeAdapter(Annotated[Request, Field(discriminator="ask")])
