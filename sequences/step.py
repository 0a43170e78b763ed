"""The base of all step kinds: what a step is made of and what a check may ask of it. No run logic here.

A kind is one class in one file: `class Dwell(Step, kind="dwell")`. Fields with descriptions are its keys in the
file; `kinds()` is the registry, filled by the classes themselves.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal, NamedTuple

from pydantic import PlainValidator, ValidationInfo, WithJsonSchema

from sequences.fields import Model, Reading, complain, nearest
from sequences.places import Path_
from sequences.tree import Refused

if TYPE_CHECKING:
    from sequences.asking import At
    from sequences.bench import Bench
    from sequences.capture import Capture, ResultKind
    from sequences.model import Sequence

STEP_SCHEMA = "a step of the sequence"  # marks the place where the schema command puts all kinds


class Need(NamedTuple):
    """Equipment that a step uses: the step's field, the name in it, and the type it has to be of."""

    field: str
    name: str
    type: str


class Level(NamedTuple):
    """A voltage that a step applies: the step's field, the value that is set, the highest that may come of it."""

    field: str
    set_v: float
    highest_v: float


class Step(Model):
    """One step. Subclasses name their kind; `main` is the field that `{kind: text}` alone sets."""

    kind: ClassVar[str] = ""
    main: ClassVar[str | None] = None
    # the places below the step that decide by which names it produces results
    named_by: ClassVar[tuple[Path_, ...]] = ()
    # whether it stands inside an energised block, energises in a block of its own, is the moment of a shot
    in_block: ClassVar[Literal["only", "may", "never"]] = "never"
    opens_block: ClassVar[bool] = False
    applies_shot: ClassVar[bool] = False
    _kinds: ClassVar[dict[str, type[Step]]] = {}

    def __init_subclass__(cls, *, kind: str = "", **more: Any) -> None:
        super().__init_subclass__(**more)
        if kind:
            cls.kind = kind
            Step._kinds[kind] = cls

    def results(self, sequence: Sequence) -> dict[str, ResultKind]:
        """The results this step produces, by name; none by default. `named_by` says which fields decide the names."""
        return {}

    def needs_equipment(self) -> list[Need]:
        """The sequence's equipment that this step uses."""
        return []

    def opens_output(self, bench: Bench) -> str | None:
        """The bench output that this step energises, in a block of its own; None if it energises nothing."""
        return None

    def captured(self) -> Capture | None:
        """What this step records of a shot."""
        return None

    def level(self) -> Level | None:
        """The voltage this step applies; None if it applies none."""
        return None

    def steps_inside(self) -> tuple[Step, ...]:
        """The steps of the block that this step opens."""
        return ()

    def check(self, at: At) -> None:
        """Report what is wrong with this step of its own kind, through `at`; the general checks come by themselves.

        A finding tells `at` every other place that it was compared with: see `Checking.say`.
        """


class UnreadStep(Step):
    """Stands where a step was refused as a whole: nobody knows what it would do. Never run."""

    named_by: ClassVar[tuple[Path_, ...]] = ((),)


def kinds() -> dict[str, type[Step]]:
    """Every step kind known so far, by name."""
    return dict(Step._kinds)


def _pick(value: Any, info: ValidationInfo) -> Step:
    """Choose the model by the kind first, so that every complaint has a clean place."""
    if isinstance(value, Step):
        return value
    if isinstance(value, Refused):
        complain("refused-already", "", "")
    if not isinstance(value, dict) or len(value) != 1:
        complain(
            "step-shape",
            "A step is a table with one key, its kind.",
            "write - kind: {...}, for example - dwell: {time: 5 s}",
        )
    (kind, body), *_ = value.items()
    known: dict[str, type[Step]] = info.context.kinds if isinstance(info.context, Reading) else kinds()
    cls = known.get(kind)
    if cls is None:
        complain("unknown-step", f'There is no step of the kind "{kind}".', nearest(kind, known))
    if isinstance(body, str):
        if cls.main is None:
            complain(
                "wrong-shape",
                f"The step {kind} has keys of its own, and this is a single value.",
                f"write {kind}: {{...}}",
            )
        body = {cls.main: body}
    return cls.model_validate(body, context=info.context)


StepItem = Annotated[Step, PlainValidator(_pick), WithJsonSchema({"title": STEP_SCHEMA})]
Steps = tuple[StepItem, ...]
