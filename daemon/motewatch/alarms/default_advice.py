"""What each kind of alarm means, as shipped: cause, consequence, action, time to respond, severity.

Common practice, no source: neither ISA-18.2 nor Annex 1 tells what to do at a count. Every line is for the site to
confirm or to replace (`[[rationalisation]]` in the site file), and the site's own procedures come first. One literal
table; must not know any site. Each action fits into a text message.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from motewatch.alarms.priority import Severity

DEFAULT_SOURCE: Final = "shipped text: common practice, no source; for the site to confirm"


@dataclass(frozen=True, slots=True)
class Shipped:
    """One kind's line. `respond_min`: minutes until the action must have begun."""

    cause: str
    consequence: str
    action: str
    respond_min: int
    severity: Severity


_SEVERE, _MAJOR, _MINOR = Severity.SEVERE, Severity.MAJOR, Severity.MINOR

SHIPPED: Final[dict[str, Shipped]] = {
    "count-action": Shipped(
        "an intervention, a leak or a failing filter, a source of particles near the probe, air flow disturbed",
        "product exposed to air outside its limit: a deviation, and product may be lost",
        "Stop exposing product. Note who and what was in the room. Find the source. Go on only as the site's procedure "
        "says.",
        10,
        _SEVERE,
    ),
    "count-alert": Shipped(
        "people or work near the probe, a drift of the room towards its action level",
        "the action level may be reached next",
        "Look at what is being done in the room and at its pressure and air flow; stop what sheds particles. Follow "
        "the site's procedure.",
        60,
        _MAJOR,
    ),
    "temperature-action": Shipped(
        "cooling or heating failed, or more heat in the room than it was made for",
        "product or people outside their conditions; people who sweat shed more particles",
        "Check the air handling of the room. Assess what is exposed, by the site's procedure.",
        10,
        _MAJOR,
    ),
    "temperature-alert": Shipped(
        "control of the air handling drifts, doors held open, an unusual load",
        "the temperature may leave its range",
        "Look at doors and load, and tell whoever runs the air handling.",
        60,
        _MAJOR,
    ),
    "humidity-action": Shipped(
        "humidifier or dehumidifier failed, wet cleaning, outside air at an extreme",
        "product that takes up water may suffer; dry air charges, moist air lets mould grow",
        "Check the air handling of the room. Assess what is exposed, by the site's procedure.",
        10,
        _MAJOR,
    ),
    "humidity-alert": Shipped(
        "cleaning, open process water, control of the air handling drifts",
        "the humidity may leave its range",
        "Look for cleaning and open water, and tell whoever runs the air handling.",
        60,
        _MAJOR,
    ),
    "pressure-difference-action": Shipped(
        "a door held open, a fan or damper failed, a filter blocked",
        "air may flow in from the less clean side",
        "Close the doors. Stop opening product in the room until the pressure holds again. Check the fans; follow the "
        "site's procedure.",
        10,
        _SEVERE,
    ),
    "pressure-difference-alert": Shipped(
        "a door often opened, a filter loading, dampers drifting",
        "the pressure difference may be lost",
        "Look at the doors, and tell whoever runs the air handling.",
        60,
        _MAJOR,
    ),
    "cascade": Shipped(
        "a door held open between the two rooms, a fan or damper failed on one side",
        "air may flow from the less clean room into the cleaner one",
        "Close the doors between the rooms. Stop opening product on the cleaner side until the order holds again.",
        10,
        _SEVERE,
    ),
    "trend": Shipped(
        "a slow change: a filter loading, cleaning or gowning getting slack, a sensor drifting",
        "alert and action levels may be reached in days or weeks",
        "No haste: look at the last weeks of this location with whoever looks after the room, and write down what was "
        "found.",
        1_440,
        _MAJOR,
    ),
    "insufficient-sampling": Shipped(
        "the sensor sends too rarely, its pump or tubing fails, messages are lost on the way",
        "periods without a judged sample: a gap in the record",
        "Check the sensor, its tubing and its network. If product is exposed, watch with another counter.",
        60,
        _MAJOR,
    ),
    "sensor-silent": Shipped(
        "power or network of the sensor is down, or it was taken away",
        "nobody watches this location",
        "Check power and network of the sensor. If product is exposed, put another counter there.",
        60,
        _MAJOR,
    ),
    "sensor-flow": Shipped(
        "tubing bent or blocked, pump worn, a filter in the sensor blocked",
        "counts are too low or too high, and are marked suspect",
        "Check tubing and inlet. Exchange the sensor if the flow does not come back.",
        60,
        _MAJOR,
    ),
    "sensor-laser": Shipped(
        "the light source is worn or its optics are dirty",
        "particles are missed; counts are marked suspect",
        "Exchange the sensor and send it for service.",
        60,
        _MAJOR,
    ),
    "sensor-clock": Shipped(
        "the sensor's clock is not synchronised, or its messages come late",
        "samples may be filed under the wrong time; they are marked suspect",
        "Check the sensor's time source, then its network.",
        60,
        _MAJOR,
    ),
    "sensor-calibration": Shipped(
        "the calibration date has passed",
        "counts cannot be defended in an inspection until the sensor is calibrated",
        "Plan calibration or exchange. Assess the samples since the date, by the site's procedure.",
        1_440,
        _MAJOR,
    ),
    "sensor-stuck": Shipped(
        "the sensor repeats an old value: its electronics or its gateway hang",
        "nobody really watches this location, though values come",
        "Restart the sensor or its gateway. If product is exposed, put another counter there.",
        60,
        _MAJOR,
    ),
    "sensor-all-zero": Shipped(
        "inlet capped, tubing off, a zero filter left in place, the light source dead",
        "nobody really watches this location, though values come",
        "Check inlet cap, tubing and zero filter. If product is exposed, put another counter there.",
        60,
        _MAJOR,
    ),
    "broker-down": Shipped(
        "the message broker or the network to it is down",
        "no sensor can be heard: nobody watches any room",
        "Have the broker and the network mended at once. If product is exposed, watch by other means.",
        10,
        _SEVERE,
    ),
    "session-lost": Shipped(
        "the broker was restarted without its data, or the service was away longer than its session lasts",
        "readings of the time away may be missing for good",
        "Look at the samples of that time; fetch what the sensors still hold.",
        60,
        _MAJOR,
    ),
    "time-series-down": Shipped(
        "the time-series server or the network to it is down",
        "curves stop; the record and the alarms go on, and points are sent later",
        "Have the server mended when convenient.",
        480,
        _MINOR,
    ),
    "dead-letters": Shipped(
        "a sensor or gateway sends what cannot be read, or under a name that is not in the site file",
        "readings are lost until it is mended; their bytes are kept",
        "Look at `motewatch dead-letters`, and mend the sender or the site file.",
        60,
        _MAJOR,
    ),
    "clock-step": Shipped(
        "the host's clock was set, or its time source failed",
        "periods and delays may be off for a while",
        "Check the host's time source.",
        60,
        _MAJOR,
    ),
    "replay-differed": Shipped(
        "a defect of the program, or a journal that was changed",
        "what is shown may differ from the record",
        "Tell whoever looks after motewatch at once. Trust the journal, not the display, until it is cleared up.",
        10,
        _SEVERE,
    ),
    "little-space": Shipped(
        "the journal has grown, or something else fills its disk",
        "when the disk is full nothing is recorded and nobody is called",
        "Find out what fills the disk and make room, or move the journal to a larger one, within the day.",
        480,
        _SEVERE,
    ),
    "certificate-ends": Shipped(
        "a certificate of the broker, of this service or of their authority is near its end or past it",
        "from then on the broker or a page is not reached; without the broker nobody watches any room",
        "Have a new certificate made and put in place before the time that the text names. Nothing need be restarted.",
        1_440,
        _SEVERE,
    ),
    "backup-failed": Shipped(
        "the backup folder is missing, full or not writable, or the copy is not in order; the alarm's text says which",
        "the record goes on; it is tried again each half hour, and earlier backups stay",
        "Mend what the text names within the working day; make one by hand: motewatch backup.",
        1_440,
        _MAJOR,
    ),
    "backup-old": Shipped(
        "backups fail or hang, were removed, or the disk that they go to is away",
        "if this machine or its disk is lost, so are the days since the newest backup",
        "Look at the backup folder and at the log, mend it today, and make one by hand: motewatch backup.",
        1_440,
        _SEVERE,
    ),
    "archives-failed": Shipped(
        "no room for the archive file, its library or an earlier archive file is missing; the alarm's text says which",
        "nothing is lost, but the journal goes on growing; it is tried again each half hour",
        "Mend what the text names within the week, before the disk fills; then motewatch archive, or wait.",
        1_440,
        _MAJOR,
    ),
    "marker-lost": Shipped(
        "the broker's access rules do not let the service write to its own marker topic, or read it",
        "after each connection nothing is judged, and nobody is called, for up to ten minutes",
        "Allow the service's account to write and read marker/+ at the broker, and let the service connect anew.",
        480,
        _SEVERE,
    ),
    "session-taken": Shipped(
        "a second service runs against this broker, or somebody uses the service's client id on purpose",
        "while it is thrown off nothing is heard; messages that waited at the broker may be lost",
        "Stop the second service. If there is none, the log of the broker names the account: take it away. "
        "Look at the samples of that time.",
        10,
        _SEVERE,
    ),
    "record-held-up": Shipped(
        "the disk was full or failed, or another program held the journal",
        "no alarm reached anybody meanwhile; what sensors and broker could not hold is missing",
        "Look at the samples of that time. Find out what filled the disk or held the journal, and make room before it "
        "happens again.",
        10,
        _SEVERE,
    ),
    "links-guessed": Shipped(
        "somebody tries links of the answer page that were never sent",
        "if one were found, an alarm could be acknowledged by a stranger",
        "Tell whoever looks after the network; see where the attempts come from.",
        1_440,
        _MAJOR,
    ),
    "sign-ins-failed": Shipped(
        "somebody tries passwords at the console, or has forgotten their own",
        "whoever guesses one acts and signs in another person's name",
        "Ask whoever is named on the audit trail whether it was them. If not: disable the user, and tell whoever looks "
        "after the network where the attempts come from.",
        60,
        _MAJOR,
    ),
    "part-out-of-use": Shipped(
        "a secret or certificate was not there at the start, or the port was taken; the alarm's text names it",
        "monitoring and alarms go on, but without this part",
        "Put in place what the text names, run motewatch check, and start the service anew.",
        480,
        _SEVERE,
    ),
    "channel-out-of-use": Shipped(
        "the channel's secret, certificate or library was not there; the alarm's text names it",
        "nobody is called over this channel; whoever has no other way is not reached",
        "Put in place what the text names: the channel is taken into use within a minute. Reach by phone whoever has "
        "no other way.",
        10,
        _SEVERE,
    ),
    "callout-nobody-reached": Shipped(
        "every way to every person failed: a channel is down, or nobody answers",
        "an alarm stands and nobody knows of it",
        "Whoever reads this: look at the standing alarms, and reach somebody by other means.",
        10,
        _SEVERE,
    ),
    "callout-gap": Shipped(
        "the rota names nobody for this time",
        "an alarm would reach nobody on this rota",
        "Name somebody: correct the rota, or enter a cover.",
        60,
        _MAJOR,
    ),
    "callout-test": Shipped(
        "the channel is down, an address is wrong, or the test call was not confirmed",
        "this person may not be reached when it matters",
        "Mend the channel or the address, and test again.",
        60,
        _MAJOR,
    ),
}

OTHER: Final = Shipped(
    "not stated",
    "not stated",
    "Follow the site's procedure.",
    60,
    _MAJOR,
)
"""For a kind that the table does not hold."""
