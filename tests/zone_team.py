"""What a team knows of a zone course before a run: how many objects of a kind there are, and the colours of berths."""

from behaviours.zone.settings import MissionSettings
from drivers.fake.course.catalogue import load_course
from drivers.fake.course.shapes import PAINTS
from robotcore.settings import replaced

NAMES = {paint: name for name, paint in PAINTS.items()}


def settings_for(place: str, seed: int = 0, *, counted: bool = True) -> MissionSettings:
    """Return the mission's settings for a course: berth colours, and the numbers of objects where `counted`."""
    zone = load_course(place, seed).zone
    assert zone is not None
    berths = {kind: NAMES[berth.colour] for berth in zone.berths for kind in berth.kinds}
    plain = MissionSettings()
    kinds = {
        field: replaced(
            getattr(plain.zone, field),
            berth=berths[name],
            count=sum(item.make.kind == name for item in zone.items) if counted else 0,
        )
        for field, name in (("kit", "kit"), ("light", "silver"), ("dark", "black"))
    }
    return replaced(plain, zone=replaced(plain.zone, **kinds))
