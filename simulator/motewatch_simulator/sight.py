"""What the sampling locations see of the rooms: mixing, near fields, and unidirectional zones with their own sources.

A location in a mixed room sees the room's concentration over its effectiveness, one with a near field sees that, and
one in a unidirectional zone sees its own supply, a small share of the room's air, and for each source upstream the
source times its transfer. Holds no concentrations and no time.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from motewatch.site.models import Site
from motewatch_simulator import scenario as s
from motewatch_simulator.plant import Plant
from motewatch_simulator.sources import Sources
from motewatch_simulator.spectra import OUTDOOR_SHAPE, Array, power_law
from motewatch_simulator.timeline import Active
from motewatch_simulator.zones import chi_s_m3


class Sight:
    """The sampling locations of rooms that have a plant."""

    def __init__(self, site: Site, scenario: s.Scenario, plant: Plant, sizes_um: tuple[float, ...]) -> None:
        known = {place.id: place for place in scenario.locations}
        here = [location for location in site.locations if location.room in plant.index]
        self.locations = tuple(location.id for location in here)
        self.room_of = {location.id: plant.index[location.room] for location in here}
        self._columns = {location: i for i, location in enumerate(self.locations)}
        self._sizes_um = sizes_um
        places = [known.get(location.id) or s.Place(id=location.id) for location in here]
        zones = [plant.near_index.get(location.id, plant.index[location.room]) for location in here]
        self._zone_of = np.array(zones, dtype=np.intp)
        self._share = np.array([1.0 / p.effectiveness if p.transfer is None else p.transfer for p in places])
        self._own_supply = np.zeros((len(sizes_um), len(places)))
        self._supplied = any(place.supply_per_m3_at_0_5_um > 0 for place in places)
        for i, place in enumerate(places):
            if place.supply_per_m3_at_0_5_um > 0:
                self._own_supply[:, i] = OUTDOOR_SHAPE.times(place.supply_per_m3_at_0_5_um).bins(sizes_um)

    def seen(
        self, active: list[Active], sources: Sources, weather: float, zones: Array, seconds: float | Array
    ) -> Array:
        """Integrals of concentration at the locations over `seconds` of the clock, from those of the zones.

        For many steps at once `zones` has them as its first axis, and `seconds` is an array.
        """
        lasting = np.asarray(seconds)[..., None]
        share = self._share
        for x in active:
            if isinstance(x.incident, s.Intervention) and x.incident.disturbed_transfer is not None:
                share = share.copy()
                column = self._columns[x.incident.location]
                share[column] = max(share[column], x.incident.disturbed_transfer)
        seen: Array = zones[..., self._zone_of] * share
        if self._supplied:
            seen += self._own_supply * lasting[..., None]
        for location, given_off, chi in self._upstream(active, sources, weather):
            seen[..., self._columns[location]] += given_off * (chi * lasting)
        return seen

    def intervention(self, incident: s.Intervention) -> Array:
        """What an intervention gives off, in particles/s per bin."""
        return power_law(incident.per_s_at_0_5_um, 0.5, incident.slope).bins(self._sizes_um)

    def _upstream(self, active: list[Active], sources: Sources, weather: float) -> Iterator[tuple[str, Array, float]]:
        """Each location in a zone with a source upstream of it: the source, and its transfer."""
        for machine, given_off in sources.running():
            for probe in machine.seen_by:
                yield probe.location, given_off, _chi(probe)
        for x in active:
            incident = x.incident
            if isinstance(incident, s.Intervention):
                given_off = self.intervention(incident)
                yield incident.location, given_off, incident.chi_s_m3
            elif isinstance(incident, s.FilterLeak):
                given_off = sources.leaked(incident, weather)
            else:
                continue
            for probe in incident.seen_by:
                yield probe.location, given_off, _chi(probe)


def _chi(probe: s.Probe) -> float:
    if probe.chi_s_m3 is not None:
        return probe.chi_s_m3
    assert probe.downstream_m is not None, "a probe sees by its place or by a transfer"
    return chi_s_m3(probe.downstream_m, probe.off_axis_m, probe.velocity_m_s, probe.diffusivity_m2_s)
