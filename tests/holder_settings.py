"""Every setting of every holder that is tried: its defaults, and the ends and middle of each range."""

from __future__ import annotations

# Ends of ranges that do not go with the other defaults, and what must be set beside them.
TOGETHER = {
    "adapter_plate": {
        "length=20": {"bore": 8, "columns": 0},
        "width=20": {"bore": 8, "rows": 0},
        "bore=100": {"length": 150, "width": 140, "pitch_x": 120, "pitch_y": 110},
        "columns=4": {"length": 220},
        "columns=8": {"length": 400, "pitch_x": 45},
        "rows=4": {"width": 180},
        "rows=8": {"width": 330},
        "pitch_x=4": {"hole": 2, "bore": 0},
        "pitch_x=152": {"length": 200},
        "pitch_x=300": {"length": 400},
        "pitch_y=4": {"hole": 2, "bore": 0},
        "pitch_y=152": {"width": 200},
        "pitch_y=300": {"width": 400},
        "hole=30": {"length": 120, "width": 110, "pitch_y": 60},
    },
    "angle_plate": {
        "width=15": {"web": 3, "slot": 3},
        "depth=15": {"thickness": 6, "slot": 3},
        "height=15": {"thickness": 6, "slot": 3},
        "thickness=80": {"depth": 150, "height": 150},
        "web=60": {"width": 200},
        "slot=60": {"width": 200, "depth": 200, "height": 200},
    },
    "base_rail": {"width=15": {"screw_pitch": 0}, "height=10": {"screw_pitch": 0}},
    "chuck": {
        "width=25": {"shank_width": 10},
        "depth=25": {"slot_depth": 15},
        "height=25": {"shank_height": 10, "seat_height": 5},
        "overhang=80": {"depth": 150},
        "seat_height=77": {"height": 110},
        "seat_height=150": {"height": 200},
        "shank_width=60": {"width": 80},
        "shank_height=34": {"height": 80},
        "shank_height=60": {"height": 80},
        "slot_depth=80": {"depth": 100},
        "slot_depth=150": {"depth": 200},
    },
    "magnet_block": {
        "width=5": {"groove": 1, "knob": 0},
        "height=3": {"knob": 0},
        "groove=50": {"width": 80},
        "groove=100": {"width": 150},
        "knob=50": {"width": 60, "height": 60},
        "knob=100": {"width": 120, "height": 120},
    },
    "parallel": {"hole=50": {"height": 100, "width": 30}, "hole=100": {"height": 150, "length": 300}},
    "parts_frame": {
        "depth=15": {"slot_depth": 8},
        "slot_width=100": {"pitch": 150},
        "slot_depth=95.5": {"depth": 110},
        "slot_depth=190": {"depth": 200},
    },
    "rail": {
        "ledge_below=1": {"pad_height": 0.5},
        "ledge_below=59.5": {"height": 80},
        "ledge_below=118": {"height": 120},
    },
    "ring_clamp": {
        "diameter=104": {"size": "large"},
        "diameter=200": {"size": "large"},
        "below=30": {"height": 50},
        "below=60": {"height": 80},
        "reach=22": {"diameter": 8, "wall": 6},
    },
    "side_arm": {
        "arm_width=100": {"capacity": 90},
        "opening=3": {"step": 0.5},
        "opening=61.5": {"capacity": 80},
        "opening=120": {"capacity": 120},
        "capacity=10": {"opening": 8},
    },
    "side_jaw_vise": {"opening=3": {"step": 1}, "capacity=20": {"opening": 15}},
    "spacer": {
        "slot_depth=195": {"width": 220},
        "slot_depth=390": {"width": 400},
        "hole=30": {"length": 150, "width": 60},
    },
    "strap": {
        "width=11": {"screw": "M6"},
        "slot=75": {"reach": 60, "back": 50},
        "slot=150": {"reach": 90, "back": 90},
        "nut_below=100": {"screw_below": 105},
        "nut_below=200": {"screw_below": 200},
    },
    "toe_clamp": {
        "length=25": {"screw": "M6", "travel": 0, "toe": 13},
        "width=16": {"screw": "M6"},
        "height=6": {"toe": 4},
        "toe=38.5": {"height": 45},
        "toe=75": {"height": 80},
        "travel=50": {"length": 120},
        "travel=100": {"length": 200},
    },
    "v_block": {
        "diameter=95": {"size": "large"},
        "diameter=180": {"size": "large"},
        "mouth=12": {"diameter": 10},
        "bow=100": {"length": 120},
        "height=15": {"diameter": 10, "mouth": 12},
        "width=20": {"diameter": 10, "mouth": 12},
    },
    "wide_vise": {
        "opening=5": {"step": 1, "strap_reach": 1},
        "opening=320": {"capacity": 320},
        "capacity=30": {"opening": 28},
        "jaw_length=20": {"strap_width": 18},
        "jaw_above=61": {"straps": "reversed"},
        "jaw_above=120": {"part_height": 120},
        "straps=reversed": {"part_height": 6},
        "part_height=1": {"straps": "reversed"},
        "strap_reach=60": {"opening": 150},
        "strap_width=68": {"jaw_length": 100},
        "strap_width=120": {"jaw_length": 140},
    },
}


def settings(kind):
    """(label, params): the defaults; each parameter at the ends and middle of its range; each choice."""
    cases = [("defaults", {})]
    for p in kind.parameters:
        if p.many:
            continue
        values = p.choices or (p.low, (p.low + p.high) / 2, p.high)
        if not p.unit and not p.choices:
            values = [round(v) for v in values]  # a count
        cases += [(f"{p.name}={v}" if p.choices else f"{p.name}={v:g}", {p.name: v}) for v in values]
    return cases
