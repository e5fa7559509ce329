"""The cautions: one short name each, and the sentences that screens, plain output and reports show.

Findings carry the names; a reader that does not know a name shows the name itself. The first group
applies to what was measured, the second to working at the circuit at all. Trade practice, except where
the limits come from the logger's own front end.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

MEASURED: Mapping[str, str] = MappingProxyType(
    {
        "ac": "This is AC. The tool is for DC up to 32 V only: take the leads off. Mains kills.",
        "out_of_range": "A lead went beyond what the logger can read: levels and kicks there are cut off, "
        "and the circuit may be out of this tool's scope.",
        "reference_lost": "The reference lead came off battery negative: readings from then on are relative "
        "to nothing, and the side cannot be told from them.",
    }
)

WORKING: Mapping[str, str] = MappingProxyType(
    {
        "limits": "DC up to 32 V nominal. Not for mains or anything on mains, ignition primaries, direct and "
        "piezo injectors, xenon lamps, 48 V systems or anything with orange cables.",
        "never on": "Never on yellow connectors, airbags, belt pretensioners or orange cables. On 5 V "
        "sensors no test light, bias or feed.",
        "probing": "Key off. Fit and secure one insulated back-probe, then the other; the two pins must "
        "never touch. Never pierce insulation.",
        "unplugging": "Unplug with the circuit off: control off, unplug, only then on. Leads stay on the "
        "harness half. Trouble codes may set.",
        "stand clear": "A test light or a bias can operate a starter, pump, fan or injector, or feed a "
        "module. Keep hands, hair and clothes away from what can move. Fuel vapour: no sparks.",
        "running": "With the engine running: wheels chocked, brake on, neutral or park, exhaust led away. "
        "The driver never operates this program.",
        "laptop": "A laptop on a charger or on the vehicle's own socket ties the logger's ground: with the "
        "reference lead on positive that is a short. Use its battery, or an isolated USB link.",
        "rules": "Local codes and licensed practice come first. A wiring diagram, where one exists, confirms "
        "the finding.",
    }
)

TEXT: Mapping[str, str] = MappingProxyType({**MEASURED, **WORKING})
