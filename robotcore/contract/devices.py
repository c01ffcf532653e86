"""The rules that hold for every device driver, and the suite of all rules for one driver.

What a driver needs no hardware for is checked; whether its numbers are true, only `samples` can tell (from a data
sheet, or a bench).
"""

import math
from collections.abc import Mapping
from typing import Any

from robotcore.contract.common import Breaches, Check, bind, demand, promises
from robotcore.contract.motors import MOTOR_RULES
from robotcore.contract.sensors import SENSOR_RULES
from robotcore.contract.subject import Samples, Subject, alike, numbers
from robotcore.devices import DEMANDS, check_built, check_driver, says
from robotcore.errors import UserError

STRANGER = "an_option_that_no_driver_knows"
_LENGTHS = {"colour": 3, "range": 1, "drive": 2, "position": 1, "tilt": 2, "button": 1, "battery": 1}


def check_device(driver: Any, options: Mapping[str, Any] | None = None, samples: Samples = ()) -> None:
    """Put a driver through every rule.

    Args:
        driver: the class that the rig's driver name stands for.
        options: the options table to build it with; none for the defaults.
        samples: pairs of counts and the reading that they must give (within 1 %).

    Raises:
        ContractError: lists every breach of every rule.

    """
    demand(device_checks(driver, options, samples))


def device_checks(driver: Any, options: Mapping[str, Any] | None = None, samples: Samples = ()) -> list[Check]:
    """Return the rules that hold for a driver, each a `Check`; arguments as for `check_device`."""
    subject = Subject(driver, dict(options or {}), tuple((tuple(counts), wanted) for counts, wanted in samples))
    first = bind((_protocol,), subject, subject.name)
    if first[0].breaches():  # without channels and methods there is nothing to try the other rules on
        return first
    rules = (*_COMMON, *SENSOR_RULES.get(driver.capability, ()), *MOTOR_RULES.get(driver.capability, ()))
    return first + bind(rules, subject, subject.name)


@promises("The class states its capability and channels and has the methods of its capability.")
def _protocol(subject: Subject) -> Breaches:
    try:
        check_driver(subject.name, subject.driver)
    except UserError as error:
        yield str(error)
        return
    names = [channel.name for channel in subject.driver.channels]
    if len(dict.fromkeys(names)) != len(names):
        yield f"two channels share a name: {', '.join(names)}"
    yield from (f"channel {c.name!r} has no unit; say what one count is" for c in subject.driver.channels if not c.unit)


@promises("It builds from its options without a fault, and then has the numbers of its capability.")
def _builds(subject: Subject) -> Breaches:
    device, faults, _ = subject.build()
    yield from faults
    try:
        check_built(subject.name, device)
    except UserError as error:
        yield str(error)
        return
    for name in ("max_age_s", *DEMANDS[device.capability][1]):
        if not math.isfinite(getattr(device, name)):
            yield f"{name} is {getattr(device, name)}; make it finite"
    if not 0 < device.max_age_s <= 6.5:
        yield f"max_age_s is {device.max_age_s}; ages go from 0.0001 to 6.5 s"


@promises("It builds from an empty options table, or says which option is missing.")
def _defaults(subject: Subject) -> Breaches:
    _, faults, _ = Subject(subject.driver, {}, ()).build()
    yield from (f"{fault} (with no options)" for fault in faults if "is missing" not in fault)


@promises("An option that it does not know is refused.")
def _unknown_option(subject: Subject) -> Breaches:
    _, faults, _ = subject.build({STRANGER: 1})
    if not any(STRANGER in fault for fault in faults):
        yield f"option {STRANGER!r} was taken; ask the table only for the options there are, each by its name"


@promises("A bad value of any option is noted as a fault and never raises anything but UserError.")
def _bad_options(subject: Subject) -> Breaches:
    for key in subject.build()[2].asked:
        for value in (STRANGER, True, [], {}, 0, -1, 1e308, math.nan, 10**400, object()):
            try:
                _, faults, _ = subject.build({key: value})
            except UserError:
                continue
            except Exception as error:
                yield f"option {key} = {str(value)[:20]} raises {type(error).__name__}: {str(error)[:80]}"
                continue
            if type(value) is object and not faults:
                yield f"option {key} takes a value of any kind; read it with a method of the table"


@promises("Every count gives a reading: numbers, NaN for what it cannot tell; nothing is raised, nothing is infinite.")
def _reads(subject: Subject) -> Breaches:
    read = subject.read
    for counts in subject.rows():
        try:
            reading = read(counts)
        except Exception as error:
            yield f"{counts} raises {type(error).__name__}: {error}"
            continue
        wanted = bool if subject.driver.capability == "button" else (int, float)
        bad = [n for n in numbers(reading) if not isinstance(n, wanted) or n in (math.inf, -math.inf)]
        if bad or len(numbers(reading)) != _LENGTHS[subject.driver.capability]:
            yield f"{counts} reads {reading!r}"


@promises("A reading depends on the counts alone: not on earlier ones, the device object or the kind of sequence.")
def _steady(subject: Subject) -> Breaches:
    one, other = subject.read, subject.read
    rows = subject.rows()
    first = [one(counts) for counts in rows]
    again = [other(list(counts)) for counts in reversed(rows)][::-1]  # type: ignore[arg-type]
    for counts, a, b in zip(rows, first, again, strict=True):
        if not alike(a, b):
            yield f"{counts} reads {a!r} once and {b!r} another time"


@promises("The known counts give the known readings, within 1 %.")
def _samples(subject: Subject) -> Breaches:
    for counts, wanted in subject.samples:
        reading = subject.read(tuple(counts))
        pairs = zip(numbers(reading), numbers(wanted), strict=True)
        if not all(math.isclose(a, b, rel_tol=0.01, abs_tol=1e-6) or (a != a and b != b) for a, b in pairs):
            yield f"{tuple(counts)} reads {reading!r}, not {wanted!r}"


@promises("Where it says `elementwise`, columns of counts give the same numbers as single ones, to the last bit.")
def _elementwise(subject: Subject) -> Breaches:
    if not says(subject.device, "elementwise") or subject.driver.capability not in _BY_COLUMNS:
        return
    try:
        import numpy as np  # late: no part of a run
    except ImportError:
        return
    rows = subject.rows()
    columns = [np.array(column, np.int64) for column in zip(*rows, strict=True)]
    try:
        made = subject.read(columns)  # type: ignore[arg-type]
        readings = list(zip(*(part.tolist() for part in made), strict=True))
    except Exception as error:
        yield f"columns of counts raise {type(error).__name__}: {error}"
        return
    for counts, reading in zip(rows, readings, strict=True):
        if not alike(reading, subject.read(counts)):
            yield f"{counts} reads {subject.read(counts)!r}, in columns {reading!r}"


_BY_COLUMNS = ("colour", "drive")  #: whose sums are done for whole columns; all other drivers are asked row by row
_COMMON = (_builds, _defaults, _unknown_option, _bad_options, _reads, _steady, _samples, _elementwise)
