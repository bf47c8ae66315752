"""A section: what every table of a settings or sound file is made of.

Its fields are annotated as in a dataclass, with a default, or with `config.toml.field.Field`. What
comes from outside is checked as a whole: every fault is found. Once made, nothing in it changes.
"""

from collections.abc import Iterator, Mapping, Set
from functools import cache
from typing import Any, ClassVar, NamedTuple, NoReturn, Self, dataclass_transform, get_args

from config.toml.checking import Fault, Steps, attempted, narrowed
from config.toml.field import REQUIRED, Field, FieldCheck, Limits
from config.toml.wording import dotted, kind


class SectionError(ValueError):
    """Values that are no section, with every fault."""

    def __init__(self, name: str, faults: list[Fault]) -> None:
        self.faults = faults
        super().__init__("; ".join(f"{dotted(each.steps) or name}: {each.rule}" for each in faults))


class Declared(NamedTuple):
    """A field as it is declared."""

    annotation: Any
    """Its form."""
    metadata: tuple[Limits, ...]
    """What narrows it."""
    default: Any
    checks: tuple[tuple[FieldCheck, str], ...]
    """Which methods check it, the earliest first."""


@dataclass_transform(kw_only_default=True, frozen_default=True, field_specifiers=(Field,))
class Section:
    """A strict, frozen table of the settings file."""

    given: ClassVar[Set[str]]
    """The keys that were given, each instance's own."""

    def __init__(self, **values: Any) -> None:
        vars(self).update(vars(self.model_validate(values)))

    @classmethod
    def model_validate(cls, plain: Any) -> Self:
        """Return the section that plain values make.

        Raises
        ------
        SectionError
            With every fault.
        """
        faults: list[Fault] = []
        made = cls.read(plain, (), faults)
        if faults or made is None:
            raise SectionError(cls.__name__, faults)
        return made

    @classmethod
    def read(cls, plain: Any, steps: Steps, faults: list[Fault]) -> Self | None:
        """Return the same for what lies at a place in a file; None: ``faults`` say why."""
        if isinstance(plain, cls):
            return plain
        if not isinstance(plain, dict):
            faults.append(Fault("value", steps, plain, f"must be a table, not {kind(plain)}"))
            return None
        section: Any = cls  # as the caches below take it
        before, fields = len(faults), _fields(section)
        values: dict[str, Any] = {}
        for name, field in fields.items():
            if name in plain:
                found = len(faults)
                value = cls._checked(name, field, plain[name], values, steps, faults)
                if len(faults) == found:
                    values[name] = value
            elif field.default is REQUIRED:
                faults.append(Fault("missing", (*steps, name), plain, "must be given"))
            else:
                own = field.default  # a list is each instance's own
                values[name] = own.copy() if isinstance(own, list | dict) else own
        for key in plain:
            if key not in fields:
                faults.append(Fault("unknown", (*steps, key), plain[key], "unknown key"))
        if len(faults) > before:
            return None
        made = cls._of(values, frozenset(plain))
        for check in _checks_of_whole(section):
            try:
                getattr(made, check)()
            except ValueError as error:
                faults.append(Fault("table", steps, plain, str(error)))
                return None
        return made

    @classmethod
    def _checked(
        cls,
        name: str,
        field: Declared,
        value: Any,
        values: dict[str, Any],
        steps: Steps,
        faults: list[Fault],
    ) -> Any:
        here, found, given = (*steps, name), len(faults), value
        for check, method in field.checks:
            if check.before and len(faults) == found:
                value = attempted(getattr(cls, method), (value, values), given, here, faults)
        if len(faults) == found:
            value = narrowed(field.annotation, field.metadata, value, here, faults)
        for check, method in field.checks:
            if not check.before and len(faults) == found:
                value = attempted(getattr(cls, method), (value, values), given, here, faults)
        return value

    @classmethod
    def _of(cls, values: Mapping[str, Any], given: Set[str]) -> Self:
        made = cls.__new__(cls)
        vars(made).update(values, given=given)
        return made

    @classmethod
    def fields(cls) -> Mapping[str, Declared]:
        """Return its fields by name, in order."""
        section: Any = cls
        return _fields(section)

    def model_copy(self, *, update: Mapping[str, Any]) -> Self:
        """Return the same with other fields, which are taken as they are."""
        return self._of(self._values() | dict(update), self.given | update.keys())

    def model_dump(
        self,
        *,
        exclude_unset: bool = False,
        exclude_none: bool = False,
        exclude_defaults: bool = False,
    ) -> dict[str, Any]:
        """Return it as plain values, perhaps without those that were not given, or say nothing."""
        options = {
            "exclude_unset": exclude_unset,
            "exclude_none": exclude_none,
            "exclude_defaults": exclude_defaults,
        }
        fields = self.fields()
        return {
            name: plain(value, options)
            for name, value in self._values().items()
            if not (exclude_unset and name not in self.given)
            and not (exclude_none and value is None)
            and not (exclude_defaults and value == fields[name].default)
        }

    def _values(self) -> dict[str, Any]:
        """Return its fields; beside them there may be what it has worked out from them."""
        values = vars(self)
        return {name: values[name] for name in self.fields()}

    def __eq__(self, other: object) -> bool:
        """Whether it is of the same kind, with the same fields."""
        return isinstance(other, type(self)) and self._values() == other._values()

    def __hash__(self) -> int:
        """Hash it, if it holds no list."""
        return hash((type(self), *self._values().values()))

    def __repr__(self) -> str:
        """Return its fields, for whoever looks for a fault."""
        inside = ", ".join(f"{name}={value!r}" for name, value in self._values().items())
        return f"{type(self).__name__}({inside})"

    def __setattr__(self, name: str, value: object) -> NoReturn:
        """Refuse it."""
        raise AttributeError(f"{type(self).__name__} is frozen: {name} can't be set")


def limits(section: type[Section], key: str) -> tuple[float, float]:
    """Return the lowest and the highest number that a key takes, or each number of its list."""
    field = section.fields()[key]
    narrowed_by = [*field.metadata, *_limits_in(field.annotation)]
    (ends,) = {(each.ge, each.le) for each in narrowed_by if None not in (each.ge, each.le)}
    low, high = map(float, ends)  # type: ignore[arg-type]
    return low, high


def _limits_in(form: Any) -> Iterator[Limits]:
    """Yield what narrows a form, wherever in it that is."""
    yield from (each for each in getattr(form, "__metadata__", ()) if isinstance(each, Limits))
    for each in get_args(form):
        yield from _limits_in(each)


@cache
def _fields(section: Any) -> Mapping[str, Declared]:
    methods = [(check, name) for check, name in _checks(section) if check.names]
    found: dict[str, Declared] = {}
    for each in reversed(section.__mro__):
        ours = issubclass(each, Section) and each is not Section
        own = each.__annotations__ if ours else {}
        for name, annotation in own.items():
            default = vars(each).get(name, REQUIRED)
            limits = default if isinstance(default, Limits) else Limits(default)
            of_it = tuple((check, method) for check, method in methods if name in check.names)
            found[name] = Declared(annotation, (limits,), limits.default, of_it)
    return found


@cache
def _checks(section: Any) -> tuple[tuple[FieldCheck, str], ...]:
    """Return the methods of a section that check it, with what they check."""
    found = {
        name: getattr(method, "checks", None)
        for each in reversed(section.__mro__)
        for name, method in vars(each).items()
    }
    return tuple((check, name) for name, check in found.items() if isinstance(check, FieldCheck))


@cache
def _checks_of_whole(section: Any) -> tuple[str, ...]:
    return tuple(name for check, name in _checks(section) if not check.names)


def plain(value: Any, options: Mapping[str, bool] = {}) -> Any:
    """Return a value as plain ones, as `Section.model_dump` does."""
    match value:
        case Section():
            return value.model_dump(**options)
        case list() | tuple():
            return type(value)(plain(each, options) for each in value)
        case dict():
            return {key: plain(each, options) for key, each in value.items()}
    return value
