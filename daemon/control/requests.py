"""What may be asked of the running daemon: plain values, no path and no code.

Threads: any. Each request says in ``ask`` which one it is; a key too many is a fault.
"""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from config.targets import TARGETS, TargetName

MOST_MESSAGES = 256
"""More than any song has at one moment."""
ChannelMessage = Annotated[
    str, Field(pattern="^([89abe][0-9a-f][0-7][0-9a-f][0-7][0-9a-f]|[cd][0-9a-f][0-7][0-9a-f])$")
]
"""One message of a channel, in hexadecimal."""


class _Question(BaseModel):
    # Built for the first request: no start waits for it.
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, defer_build=True)


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
    target: TargetName
    number: int = Field(default=0, ge=0, le=128)
    """Which of several; 0: there is but one."""


class AskLearned(_Question):
    """Whether it has been moved."""

    ask: Literal["learned"]


class AskBindings(_Question):
    """Which knob changes what."""

    ask: Literal["bindings"]


class AskForget(_Question):
    """Let a knob go; or all that was learned."""

    ask: Literal["forget"]
    target: TargetName | None = None
    number: int = Field(default=0, ge=0, le=128)


class AskPanic(_Question):
    """End every note, whoever holds it."""

    ask: Literal["panic"]


class AskPlay(_Question):
    """Play messages as one more controller, which leaves when its connection ends."""

    ask: Literal["play"]
    name: str = Field(default="a song", min_length=1, max_length=80)
    messages: list[tuple[int, ChannelMessage]] = Field(default=[], max_length=MOST_MESSAGES)
    """When each was due, in microseconds of the monotonic clock, and its bytes."""


class AskSound(_Question):
    """What a sound is made of; without a name, the one that is played."""

    ask: Literal["sound"]
    name: str = Field(default="", max_length=80)


class AskShape(_Question):
    """Play another table in the place of a sound's; none: the sound's own again."""

    ask: Literal["shape"]
    name: str = Field(min_length=1, max_length=80)
    table: dict[str, Any] | None
    room_db: float | None = Field(default=None, ge=TARGETS["room"].least, le=TARGETS["room"].most)
    """How loud the room is meanwhile; none: as it is."""


class AskKeep(_Question):
    """Keep what is heard now under a name; or a text, which is a sound file's."""

    ask: Literal["keep"]
    name: str = Field(pattern="^[a-z0-9][a-z0-9-]{0,39}$")
    text: str = Field(default="", max_length=48 * 1024)


class AskForgetAll(_Question):
    """Take back all that was kept and learned; or only say what that would be."""

    ask: Literal["forget_all"]
    dry_run: bool = False


AskShaping = AskSound | AskShape | AskKeep | AskForgetAll
"""What is asked about sounds that are shaped."""
AskKnobs = AskLearn | AskLearned | AskBindings | AskForget
"""What is asked about knobs."""
Request = AskStatus | AskWhy | AskKnobs | AskPanic | AskPlay | AskShaping
"""What can be asked."""
REQUEST: TypeAdapter[Request] = TypeAdapter(
    Annotated[Request, Field(discriminator="ask")], config=ConfigDict(defer_build=True)
)
