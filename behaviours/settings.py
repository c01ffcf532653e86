"""Every number that a behaviour uses, with its meaning, its unit and why it is what it is.

Rules: frozen, plain numbers, all with defaults; checked when built, so that a slip of the pen in a settings file is
found before the robot moves. Numbers of one robot's geometry do not belong here: they come from the rig.
"""

import math

from robotcore.settings import number, part, settings, whole


@settings
class FollowSettings:
    """Following the line by the difference of the two floor eyes' darkness (0 floor, 1 line)."""

    cruise_m_s: float = number(0.21, 0.03, 1.0)
    """Speed on a straight line. Twice the way to stop from here must fit into a marker and the arm behind it."""
    slowest_m_s: float = number(0.05, 0.01, 0.5)
    """Speed when the line is all under one eye: nearly a turn on the spot, but never standing."""
    rise_m_s2: float = number(0.5, 0.05, 10.0)
    """How fast the speed may grow: tracks slip when hurried. It falls as fast as the bend asks."""
    slow_per_rad_s: float = number(0.075, 0.0, 1.0)
    """Speed taken off for each rad/s of turning, so that a bend of radius r is driven at cruise / (1 + this / r)."""
    slow_for_error: float = number(0.55, 0.0, 1.0)
    """Share of the speed taken off when the line is all under one eye."""
    kp_rad_s: float = number(2.6, 0.0, 30.0)
    """Turn for a full difference. The eyes sit some 70 mm ahead, so turning moves them across the line at once."""
    ki_rad_s2: float = number(3.0, 0.0, 100.0)
    """Learns the turn of a bend, so that the line stays in the middle there."""
    kd_rad: float = number(0.12, 0.0, 2.0)
    """Makes up for the motors' lag of some 60 ms (kd / kp)."""
    filter_s: float = number(0.015, 0.0, 0.2)
    """Low-pass of the derivative: a few samples, so that noise does not shake the tracks."""
    turn_limit_rad_s: float = number(3.2, 0.2, 20.0)
    """Most that the controller may ask; the integral is held back there (anti-windup)."""
    blank_m: float = number(0.055, 0.002, 0.1)
    """So far without line under either eye, and following ends. A thin line between the eyes is seen by neither."""
    hug_rad_s: float = number(0.7, 0.0, 3.0)
    """Turn towards where the line was, while neither eye has any of it: a thin line fits between the eyes, and the
    robot leans on its edge."""
    trace: float = number(0.08, 0.02, 0.5)
    """Darkness from which an eye has a trace of the line: several times what noise and uneven light make."""
    touch: float = number(0.20, 0.05, 0.9)
    """Darkness from which an eye has met a line that it was searching for."""
    blind_s: float = number(0.25, 0.02, 2.0)
    """Readings may be missing for so long; course and speed are held meanwhile. Then the robot stands."""


@settings
class ArmSettings:
    """Telling crossings from corners: something dark beside the line, reached suddenly."""

    dark: float = number(0.78, 0.3, 1.0)
    """Darkness of an eye that is fully on an arm."""
    painted: float = number(0.6, 0.2, 1.0)
    """Darkness from which an eye may be on paint: markers and strips are some .8 dark."""
    sudden_m: float = number(0.008, 0.002, 0.05)
    """From floor to arm in so short a way: across the spot of an eye (8 mm), not along the edge of a bend."""
    edge_m: float = number(0.010, 0.0, 0.05)
    """So much of the way before an arm says nothing of the line: the arm was half seen already."""
    swing: float = number(0.8, 0.0, 2.0)
    """The eye's own swing meanwhile, by turning, may be such a share of the way; else it swung onto the line."""
    middle_m: float = number(0.004, 0.0, 0.02)
    """From where the arm was noticed to its middle."""
    longest_m: float = number(0.042, 0.02, 0.2)
    """What stays dark longer than this is no arm (widest line 20 mm, at a slant, and the spot): lifted nose, shade."""
    beyond_m: float = number(0.009, 0.0, 0.05)
    """So far past the arm before looking for the line ahead: spot and slant of the arm."""
    clear: float = number(0.7, 0.2, 1.0)
    """Darkness below which an eye has left the arm; it may still be half on the line."""
    both: float = number(0.5, 0.1, 1.0)
    """An arm that one eye sees for less than such a share of the other's time is none: that eye clipped the line."""
    over_m: float = number(0.015, 0.0, 0.05)
    """At least so much more than the line's width lies between arm and look: an arm that was met on its corner is
    short, and the rest of it would pass for a line."""
    peek_m: float = number(0.015, 0.003, 0.03)
    """Sideways swing of the eyes when looking for a line ahead: brings one eye over the middle."""
    speed_m_s: float = number(0.11, 0.02, 0.5)
    """Speed across an arm."""
    corner_rad: float = number(2.45, 1.0, 3.1)
    """How far to turn for the line at a corner: corners to 135 degrees, and some."""


@settings
class GapSettings:
    """Where the line ends: a gap, or lost."""

    longest_m: float = number(0.225, 0.02, 1.0)
    """The longest gap of the field (200 mm, common practice) and an eye's spot and slip at both ends."""
    slipped_m: float = number(0.014, 0.0, 0.1)
    """A line that was all under one eye so shortly before it went may have slipped out to that side; so much later the
    robot looks there."""
    glance_rad: float = number(0.9, 0.0, 1.5)
    """How far to look there."""
    told_m: float = number(0.070, 0.01, 0.2)
    """A line missing for less than this is not worth a word: a thin line between the eyes."""
    speed_m_s: float = number(0.14, 0.02, 0.5)
    """Speed across a gap."""
    fit_m: float = number(0.045, 0.02, 0.2)
    """The heading of the line is taken over so much of it; before a gap it is straight for at least 50 mm."""
    touch: float = number(0.13, 0.05, 0.9)
    """Darkness from which an eye may have the line again,"""
    readings: int = whole(3, 1, 20)
    """for so many readings in a row."""
    land_m: float = number(0.020, 0.0, 0.1)
    """For so long after that nothing is an arm: the line's blunt end is met on its corner, and askew."""
    weave_m: float = number(0.008, 0.0, 0.02)
    """Sideways weave in a gap: a line that begins again just between the eyes, or never ended, is touched by it."""
    weave_length_m: float = number(0.11, 0.02, 0.5)
    """Way for one weave to both sides."""
    search_rad: float = number(0.7, 0.1, 1.5)
    """Search to both sides at the end of a gap. Less than a right angle: never find the way back."""
    wide_rad: float = number(1.9, 0.5, 2.4)
    """Search to both sides where the line ended. The line that the robot came on lies behind, beyond this."""
    tries: int = whole(3, 1, 10)
    """How often to back up and search anew before the robot gives up and stands."""
    losses: int = whole(4, 1, 20)
    """Lost so often at one place, the robot stands: a dead end."""
    here_m: float = number(0.3, 0.05, 2.0)
    """One place: so much travel apart at most."""


@settings
class RoughSettings:
    """Bumps and the edges of ramps."""

    after_m: float = number(0.030, 0.005, 0.2)
    """The floor counts as uneven for so long after the last sign of it."""
    turn_rad_s: float = number(0.6, 0.0, 5.0)
    """Most that the turn may depart from that of late there: the eyes see height as much as line."""


@settings
class MarkerSettings:
    """Green markers before a junction."""

    green: float = number(0.41, 0.34, 0.6)
    """Share of green from which a reading is green: midway between white (1/3) and common green paint (.47 to .52)."""
    margin: float = number(0.06, 0.0, 0.3)
    """The share of green must lead red and blue by so much: keeps out yellow and cyan."""
    gate: float = number(0.075, 0.01, 0.3)
    """Lightness below which a share means nothing."""
    light: float = number(0.55, 0.1, 1.0)
    """Lightness above which a reading cannot be a marker: bright floor."""
    votes: int = whole(3, 1, 20)
    """Green readings among the last `window` that call for a second look."""
    window: int = whole(4, 1, 20)
    """Readings a vote goes back."""
    confirm: int = whole(8, 1, 100)
    """Green readings on a side of the line in the second look that make a marker."""
    creep_m_s: float = number(0.07, 0.01, 0.3)
    """Speed over a marker once it is suspected."""
    reach_m: float = number(0.085, 0.02, 0.3)
    """A junction comes within this after the first green, or the green is no marker."""
    look_m: float = number(0.016, 0.002, 0.03)
    """Sideways swing of the eyes in the second look: each comes over the line and out over its marker's middle."""
    look_rad_s: float = number(0.9, 0.1, 3.0)
    """Rate of that swing: half a millimetre a reading."""
    black_m: float = number(0.015, 0.0, 0.1)
    """Green so soon after black under the same eye stands behind an arm, even one that was not noticed."""
    after_m: float = number(0.050, 0.0, 0.2)
    """Green so soon after an arm stands behind the junction and means nothing."""


@settings
class TurnSettings:
    """Turning on the spot and short straight drives."""

    fast_rad_s: float = number(2.4, 0.2, 10.0)
    """Rate of a turn whose end is known."""
    search_rad_s: float = number(1.8, 0.2, 10.0)
    """Rate of a turn that ends when an eye meets the line: slow enough to stop on it."""
    slowest_rad_s: float = number(0.5, 0.05, 5.0)
    """Rate at the very end of a turn: above the motors' dead band."""
    per_rad: float = number(7.0, 0.5, 50.0)
    """Rate for each radian that is left: slows down into the end."""
    drive_m_s: float = number(0.12, 0.02, 0.5)
    """Speed of a short straight drive."""
    hold_per_s: float = number(5.0, 0.0, 50.0)
    """Turn for each radian off the heading held."""
    blind_rad: float = number(0.95, 0.0, 1.5)
    """A turn into an arm sees no line for so long: the line straight on lies there."""
    turn_round_rad: float = number(2.1, 0.5, 3.0)
    """The same when turning round."""


@settings
class ObstacleSettings:
    """Seeing an obstacle and going round it."""

    smooth_s: float = number(0.02, 0.0, 0.5)
    """Low-pass of the forward sensor's light: its noise is as large as what black gives back."""
    rise: float = number(0.006, 0.001, 1.0)
    """Smoothed light above that of the empty hall: seven times its noise; black gives it at 50 to 80 mm."""
    fall: float = number(0.004, 0.001, 1.0)
    """Smoothed light below that of the empty hall: something dark hides it."""
    adapt: float = number(0.007, 0.0, 1.0)
    """Share of a change of the empty hall's light taken in a tick: a second and a half at 100 Hz."""
    learn: int = whole(20, 1, 500)
    """Readings from which the light of the empty hall is learnt at first."""
    votes: int = whole(6, 1, 50)
    """Readings in a row that must say near."""
    step_m: float = number(0.002, 0.0005, 0.02)
    """Way between the readings that are kept to see the light grow."""
    base_m: float = number(0.012, 0.002, 0.1)
    """Way over which the light's growth is taken; half of it must do just after something came into view."""
    view_m: float = number(0.004, 0.0, 0.1)
    """Way after it came into view before its growth counts: the smoothing must have caught up."""
    faint: float = number(0.011, 0.001, 0.2)
    """Less light than this above the empty hall's is given by black alone, from near."""
    near_m: float = number(0.080, 0.02, 0.3)
    """Distance by looming at which the robot stops. The hall's light on the obstacle makes it seem a fifth farther."""
    dazzle: float = number(0.75, 0.1, 5.0)
    """Light so far above the empty hall's is near, whatever its growth."""
    flash: float = number(0.4, 0.05, 5.0)
    """Light that jumps by more than this between two readings is a flash, not something that comes nearer,"""
    flashes: int = whole(10, 0, 100)
    """unless it lasts for more readings than these."""
    approach_m_s: float = number(0.08, 0.02, 0.5)
    """Speed towards something that is seen."""
    back_m: float = number(0.030, 0.0, 0.2)
    """Room made before turning: the corners of the body swing wider than its front reaches."""
    sweep_rad: float = number(2.0, 1.2, 2.8)
    """Turn away in which the beam sweeps over the obstacle: a right angle, and some for one that is not right ahead."""
    lost_m: float = number(0.25, 0.05, 2.0)
    """A distance beyond this is something else."""
    deep_m: float = number(0.03, 0.0, 0.2)
    """Distances so much greater than the least are still the obstacle's front."""
    bulk_m: float = number(0.060, 0.0, 0.5)
    """From an obstacle's front to its middle."""
    orbit_m: float = number(0.21, 0.1, 0.6)
    """Radius of the way round as long as nothing was measured beside."""
    least_m: float = number(0.165, 0.1, 0.6)
    """Least radius abeam: half a body, and half of a small obstacle, and some room."""
    most_m: float = number(0.30, 0.1, 0.6)
    """Greatest radius."""
    crossing_m: float = number(0.235, 0.1, 0.6)
    """Least radius behind the obstacle: half an obstacle (75 mm), the swing of a body's corner (131 mm), some room."""
    abeam_rad: float = number(1.15, 0.2, 3.0)
    """Bearing from the obstacle, off the line's heading, from which on the robot is behind it and the line may come."""
    side_m: float = number(0.060, 0.02, 0.3)
    """Distance wanted beside."""
    draw: float = number(0.06, 0.001, 1.0)
    """Share of a change of the radius taken in a tick."""
    close_m: float = number(0.045, 0.01, 0.2)
    """No echo after one from nearer than this: too near to measure, not gone."""
    slant_m: float = number(0.10, 0.02, 0.5)
    """Off the circle by this asks for a slant of one radian."""
    slant_rad: float = number(0.4, 0.05, 1.0)
    """Steepest way onto the circle."""
    gain_per_s: float = number(3.0, 0.1, 20.0)
    """Rate of turn for each radian off."""
    speed_m_s: float = number(0.12, 0.02, 0.5)
    """Speed round an obstacle."""
    round_rad: float = number(4.4, 3.0, 7.0)
    """After so much of a round there is no line behind the obstacle."""
    longest_m: float = number(1.8, 0.5, 10.0)
    """Longest way round."""
    onto_m_s: float = number(0.09, 0.0, 0.5)
    """Speed in the bow onto the line: keeps the rear off the obstacle."""
    steep_rad: float = number(0.5, 0.0, 1.6)
    """A line met at a steeper angle is crossed and turned onto; at less it can be followed at once."""
    over_share: float = number(0.4, 0.0, 1.5)
    """At less the robot drives on by this share of the eyes' distance from the axle, to bring both eyes near it."""
    onto_rad: float = number(0.6, 0.1, 1.5)
    """The line may be so far off its expected heading, to both sides."""


@settings
class StripSettings:
    """Coloured strips across the line."""

    red: float = number(0.52, 0.36, 0.9)
    """Share of red from which a reading is red; common red paint has .7 to .85, white 1/3, tinted light adds .05."""
    silver: float = number(1.35, 1.05, 4.0)
    """Lightness over white from which a grey reading is silver."""
    grey: float = number(0.06, 0.01, 0.2)
    """Silver is grey: no share is farther from 1/3."""
    gate: float = number(0.075, 0.01, 0.3)
    """Lightness below which a reading is dark, and no colour."""
    votes: int = whole(4, 1, 20)
    """Readings among the last `window` that make a strip."""
    window: int = whole(5, 1, 20)
    """Readings a vote goes back."""


@settings
class LineSettings:
    """All that the mission `line` can be told."""

    follow: FollowSettings = part(FollowSettings)
    arm: ArmSettings = part(ArmSettings)
    gap: GapSettings = part(GapSettings)
    rough: RoughSettings = part(RoughSettings)
    marker: MarkerSettings = part(MarkerSettings)
    turn: TurnSettings = part(TurnSettings)
    obstacle: ObstacleSettings = part(ObstacleSettings)
    strip: StripSettings = part(StripSettings)
    start_rad: float = number(0.38, 0.0, 1.0)
    """Swing to both sides at the start, in which each eye learns how bright the floor is here."""
    start_narrow_m: float = number(0.008, 0.002, 0.1)
    """The line is not narrower than this, whatever the swing tells,"""
    start_wide_m: float = number(0.022, 0.002, 0.1)
    """and not wider than this."""


RIGHT_ANGLE = math.pi / 2
