"""What each key of the setup file and of the machine file means, one sentence each, for pages and editors.

By table of the schema (the class in ``schema.py`` or ``machine.py``), then by the key as it stands in the
file. Kept out of the schema so that a check does not load it; a test holds that no key is without its
sentence. Lengths are in the unit of the file, angles degrees, masses kg.
"""

from __future__ import annotations

from typing import Final

#: what a table of the files is, by its class
TABLES: Final[dict[str, str]] = {
    "Setup": "The setup file, before its first [table].",
    "MachineChoice": "[machine]: the machine that the job runs on.",
    "Heads": "[heads]: the height of the upper head, and where both heads come from and go to.",
    "MarginsIn": "[margins]: less room than this is close.",
    "SideHeightIn": "Two lengths, sideways and in height: { side = ..., height = ... }; what is left out "
    "keeps its default.",
    "SideIn": "One length, sideways: { side = ... }.",
    "Item": "[[items]]: anything that is put on the table, the workpiece among them.",
    "PalletUse": "[[pallets]]: a pallet on the table, with all that its file says stands on it.",
    "ChangedItem": "[[change]]: an item of a pallet, otherwise than the pallet's file has it. What is left "
    "out stays as it is there.",
    "Pallet": "A pallet's file, before its first [table].",
    "StartHoleIn": "A hole that is drilled before the cut, in start_holes of an item.",
    "ShapeIn": "A plain body, in shape of an item.",
    "CutIn": "[[cuts]]: one path through a part. Cuts run in the order of the file.",
    "Change": "An item that is put on or taken off, in with or without of a cut; its name alone says it "
    "for all of the cut.",
    "TakenOutIn": "Pieces that are taken out, in taken_out of a cut; a name alone says it before the cut.",
    "HeldByIn": "What holds, in held_by of a cut; a text alone says it to the end, of the part and all that "
    "comes free.",
    "HeldPart": "What holds, in held_by of an item; a text alone says it to the end.",
    "PlanesIn": "Two heights, in planes of a cut, needed where the program has U or V.",
    "GoneBelowIn": "A piece lighter and shorter than this is washed away as soon as it comes free.",
    "Machine": "The machine file, before its first [table].",
    "TravelIn": "travel: how far each axis goes.",
    "Codes": "codes: the control's own words and ways. None is assumed.",
    "LowerHead": "[lower_head]: it stands at a fixed height.",
    "UpperHead": "[upper_head]: its height comes from the setup.",
    "MovingBox": "A box that goes along with the lower head, in its bodies.",
    "UpperMovingBox": "A box that goes along with the upper head, in its bodies.",
    "TableBody": "[[bodies]]: what stands still with the table.",
    "Block": "A box in machine coordinates, in box of a body.",
    "Nozzles": "[[nozzles]]: a set of nozzles and guides for the heads, which heads.nozzles of a setup "
    "chooses. It says what differs from the machine's own heads.",
    "LowerNozzle": "The lower nozzle and guide, in lower of a set.",
    "UpperNozzle": "The upper nozzle and guide, in upper of a set.",
    "JetIn": "The jet of one nozzle.",
    "FlushingIn": "The jets of both nozzles. One that is left out is off.",
    "OwnHolder": "The file of a holder of your own, before its first [table]. Its name is the holder's: "
    "our_vise.toml.",
    "OwnBody": "[[models]]: a model that stands still. It is turned, then moved, into the holder's frame.",
    "OwnMoving": "[moving]: the one model that slides along a line or turns about one; its value is a "
    "parameter of the holder.",
    "OwnAxis": "The line that it turns about, in turns of [moving].",
    "OwnSeat": "[[seats]]: where something stands, Z up from the seat. The first is the usual one.",
    "OwnLimit": "[[limits]]: what the holder may hold.",
    "NightIn": "A night's file, before its first [table].",
    "Present": "[[present]]: when somebody is there. Without any, nobody is.",
    "SpoolIn": "[spool]: the wire that is left on the machine.",
    "Times": "[times]: how fast it goes, and how long single things take, for the estimates: one figure, or "
    "[least, likely, most]. The defaults are common practice, no source.",
    "NightJob": "[[jobs]]: one job. They run in the order of the file.",
    "AcceptedIn": "A piece that may come free with nobody there, in accepted of a job.",
}

_SIDE = "sideways"
_HEIGHT = "up and down"
_BOX = {
    "x": "its extent in X, from the wire",
    "y": "its extent in Y, from the wire",
    "behind": "where it begins and ends, measured from the head's face backwards",
}
_MODEL = {
    "file": "the model, seen from this file: STL, 3MF or STEP",
    "units": "the unit of a model file that carries none (STL, OBJ, PLY)",
    "at": "where the model's origin lies in the holder's frame",
    "turn": "its turn about the holder's X, then Y, then Z",
}
_HEAD = {
    "guide": "where the wire's pivot lies, so far behind the face",
    "profile": "the head as a body of revolution about the wire: distance behind the face and radius, "
    "from the face "
    "backwards; it may step (two points at one distance) and slope",
    "bodies": "boxes that go along with the head: arms, blocks, hoses",
    "bore": "diameter of the nozzle's opening at its face; left out, the bore in flushing. A wire that leans "
    "so far that it touches there is close",
}
_NOZZLE = {
    "profile": "as of a head, from the new face backwards, as far as it differs: the machine's own head goes "
    "on behind it; left out, the own one",
    "guide": "where the wire's pivot lies, so far behind the new face; must be given with a profile",
    "bore": "diameter of the nozzle's opening at its face: where a wire that leans touches it; and the jet's",
}

#: the keys of each table
KEYS: Final[dict[str, dict[str, str]]] = {
    "Setup": {
        "title": "a name for the job, shown on every answer",
        "units": "the unit of every length in this file",
        "machine": "which machine",
        "heads": "heights of the heads and ways outside the cuts",
        "margins": "how much room is wanted",
        "optional_stops": "whether the machine stops at M01",
        "spark_gap": "the gap beside the wire that widens the kerf on each side where what is left of a part "
        "is judged; left out, 0.02 mm. Sizes of pieces are told without it, a little large",
        "holders": "a folder of your own holders, seen from the setup file: a file for each",
        "gone_below": "pieces smaller than this are washed away and block nothing",
        "zeros": "where G54 to G59 lie, for all cuts: { G55 = [x, y] }, from each cut's own zero, along its "
        "program's X Y; what a cut says itself goes before it",
        "items": "what stands on the table",
        "pallets": "pallets on the table, each with its own file",
        "change": "what is otherwise with single items of the pallets",
        "cuts": "the paths, in the order in which they run",
    },
    "MachineChoice": {
        "use": "a machine that comes with the tool",
        "file": "a machine file of your own, seen from the setup file",
    },
    "Heads": {
        "nozzles": "the set of nozzles that is mounted, by its name in the machine file; left out, or "
        '"own", the machine\'s own heads',
        "flushing_distance": "the upper face stands so far above the highest point of the parts that are cut",
        "upper_z": "or: the upper face stands at this machine Z",
        "approach_from": "where the heads come from before the first cut, machine X Y; checked like a "
        "rapid move",
        "park": "where the heads go to after the last cut, machine X Y; checked like a rapid move",
        "pickups": "where the heads stand to pick up edges, machine X Y; checked",
        "travel_z": "machine Z of the upper face on the ways between cuts; left out, the higher of the "
        "two cuts' heights",
        "thread_z": "machine Z of the upper face as the wire is threaded: nothing may be in its column up to "
        "there; left out, as it cuts",
        "between": "whether the ways between cuts are checked",
    },
    "MarginsIn": {
        "part": "room to workpieces; 0.3 to the side and 0.05 in height where left out (mm)",
        "holder": "room to holders of the library and models of your own; 1.0 and 0.5",
        "laid": "room to what a hand lays down: straps, toe clamps, magnets; 3.0 and 0.5",
        "machine": "room to what stands still with the table; 2.0 and 0.5",
        "wire": "room between the wire and everything but the part that is cut; 0.5",
    },
    "SideHeightIn": {"side": _SIDE, "height": _HEIGHT},
    "SideIn": {"side": _SIDE},
    "Item": {
        "name": "its name in every answer, and for other items to refer to",
        "holder": "it is a holder of the library, ours or your own",
        "part": "it is a workpiece, as it lies there before the cut: a model file",
        "model": "it is a holder of your own: a model file",
        "shape": "it is a plain block or cylinder",
        "params": "the holder's dimensions; those left out keep the library's defaults",
        "units": "the unit of a model file that carries none (STL, OBJ, PLY)",
        "bodies": "which bodies of the model file, by their names there; left out, all of them",
        "cracks": '"accepted": the part is taken as it is though its surface does not close; what cannot be '
        "judged for that is listed",
        "facet_bound": "how far the facets made of a STEP file may lie off its surfaces; it counts as allow",
        "material": "what a part is made of, for its mass",
        "density": "or its density in g/cm3",
        "start_holes": "holes for the wire that are drilled, though the model may not show them",
        "held_by": "how it is held or fastened, in your words, where nothing in the setup shows it; it may "
        "end at a stop",
        "becomes": "the finished part: a model file with the same origin and unit; walls that the wire cut "
        "are held against it",
        "becomes_tolerance": "how far a cut wall may lie off it; left out, 0.05 mm",
        "clamp_force": "with which force it presses down, N, against tipping and the flushing jets",
        "on": 'the item that it stands on; left out, the table. Of several, ["front rail", "back rail"], the '
        "first gives its place, all must carry it, and its load goes to all of them",
        "touch": 'its finished faces, to be touched to learn how it lies: "top", "bottom", "left side", '
        '"right side", "front", "back", "bore", "outside"; the first level one is levelled',
        "measured": "the form with what was read there (`clearance touch` writes it); the part is judged as "
        "it lies, and all that stands on it",
        "seat": "which seat of that item; left out, a holder's first",
        "at": "where its origin lies, measured from the seat's (on the table: from machine zero)",
        "axis": 'along which axis of the seat its own Z is laid, before "turn": "x" for a bar drawn '
        'upright that lies along X, "-x", "y", "-y", "-z"; left out, "z". What turn = [0, 90, 0] does for '
        '"x", [0, -90, 0] for "-x", [-90, 0, 0] for "y", [90, 0, 0] for "-y", [180, 0, 0] for "-z"',
        "turn": "its turn about the seat's fixed X, then Y, then Z",
        "allow": "how far the real one may lie off; it counts against you in every verdict",
        "laid": "whether it is laid by hand, so judged by the wide margins",
        "fit": "the part that the holder takes its opening, diameter, reach or height from",
    },
    "PalletUse": {
        "file": "the pallet's own file, seen from this one",
        "name": 'its name here: its items are then "P3/front rail"; no / in it',
        "at": "where the pallet's zero lies, measured from the seat's (on the table: from machine zero)",
        "turn": "its turn about the seat's fixed X, then Y, then Z",
        "on": "the item that it stands on; left out, the table (in a pallet's file: that pallet)",
        "seat": "which seat of that item; left out, its first",
        "without": "items of it that are not put on, by their names in its file",
    },
    "Pallet": {
        "units": "the unit of every length in this file",
        "items": "what stands on it; an item without on stands in the pallet's own zero",
        "pallets": "pallets on the pallet, each with its own file",
        "change": "what is otherwise with single items of the pallets on it",
    },
    "Change": {
        "item": "which",
        "from": 'from which stop in this cut\'s program on, by its number or its N (2, "N70"); left out, '
        "from the beginning",
        "until": "until which of its stops; left out, to the end",
    },
    "TakenOutIn": {
        "piece": 'a cut, for all that it freed; "slug of opening", for one kind; or "all"',
        "at": "at which stop, by its number or its N; left out, before the cut",
    },
    "HeldByIn": {
        "by": "what holds, in your words",
        "until": "until which stop, by its number, its N, or the cut behind it; left out, to the end",
        "piece": 'which kind of piece alone it holds: "slug", "off-cut" or "good part"',
    },
    "HeldPart": {
        "by": "what holds it, in your words",
        "until": "until which stop, by its number, its N, or the cut behind it; left out, to the end",
    },
    "StartHoleIn": {
        "at": "its middle, in the model's own coordinates",
        "diameter": "its diameter",
    },
    "ShapeIn": {
        "box": "a block: its lengths in X, Y and Z, the middle of its foot at the item's origin",
        "cylinder": "a cylinder: its diameter and height, the middle of its foot at the item's origin",
    },
    "CutIn": {
        "name": "its name in every answer",
        "part": "the part that is cut, or a list of them (a stack)",
        "path": "the NC program, DXF drawing or CSV table, seen from the setup file",
        "zero": "the program's zero, in the part model's own coordinates",
        "axes": "what the program's X Y run along: the machine's axes or the part's; must be said where "
        "the part is turned "
        "about Z",
        "rotate": "turns the program about its zero",
        "offsets": "values for the D words of G41 and G42",
        "offset_max": "or, where the offsets sit at the control: none is larger than this",
        "planes": "the heights at which X Y and U V hold",
        "uv_words": "whether U and V are measured from X Y or from the program's zero",
        "zeros": "where G54 to G59 lie, from zero, along the program's X Y; a word that is left out lies "
        "where the setup says, or else the machine file",
        "whole_numbers": "what a number without a point means: whole units, or digits before or behind "
        "the point",
        "digits": "how many digits stand before and behind the point, for leading and trailing",
        "block_delete": "whether blocks that begin with / run or are skipped",
        "path_units": "the unit of a DXF or CSV path where it differs from the setup's or the drawing "
        "says it wrongly",
        "layers": "the DXF layers that hold the path; left out, all",
        "gap": "the largest gap between ends of a drawing that count as joined",
        "chord_bound": "how far chords may lie off a curve that is no line or arc; it counts against you",
        "start": "where a path from a drawing begins",
        "direction": "which way round closed contours of a drawing are cut",
        "order": "in which order the contours of a drawing are cut",
        "with": "items that are on for this cut, or from one of its stops to another, and for no cut that "
        "does not name them",
        "without": "items that are off for this cut, or from one of its stops to another",
        "stop_before": "whether the machine stops before this cut, with somebody there",
        "wanted": "which side of the path is the piece you want",
        "taken_out": 'cuts whose free pieces are taken out before this one or at one of its stops, or "all"',
        "held_by": "what holds the part while this cut runs, and what it frees, in your words; it may end at "
        "a stop",
        "flushing_distance": "for this cut alone, as in [heads]",
        "upper_z": "for this cut alone, as in [heads]",
    },
    "PlanesIn": {
        "xy": "height above the zero at which X Y hold",
        "uv": "height above the zero at which U V hold",
    },
    "GoneBelowIn": {"mass": "lighter than this, kg", "size": "and its longest side shorter than this"},
    "Machine": {
        "name": "its name",
        "units": "the unit of every length in this file",
        "travel": "how far the axes go",
        "wire": "the wire's diameter",
        "largest_lean": "the largest lean of the wire that nozzles and guides allow, degrees from the "
        "vertical",
        "nozzles": "other nozzles for the heads",
        "max_part_mass": "the heaviest part that the table takes, kg",
        "flushing": "pressures and bores of the jets",
        "holders": "a folder of your own holders, seen from the machine file: a file for each",
        "gone_below": "pieces smaller than this are washed away and block nothing, where the setup does not "
        "say it itself",
        "codes": "the control's own words",
        "zeros": "where G54 to G59 lie, for all cuts of all setups: { G55 = [x, y] }, from each cut's own "
        "zero, along its program's X Y; setup and cut go before it",
        "lower_head": "the lower head",
        "upper_head": "the upper head",
        "bodies": "what stands still with the table: frame, rails that stay on, the tank's edge",
    },
    "TravelIn": {
        "x": "of the lower guide's centre in X",
        "y": "of the lower guide's centre in Y",
        "z": "of the upper face in Z",
        "u": "of the upper guide over the lower, in X",
        "v": "of the upper guide over the lower, in Y",
    },
    "Codes": {
        "thread": "words that thread the wire",
        "cut": "words that cut the wire",
        "ignore": "words that change nothing for the path",
        "semicolon": "what a ; in a program means",
        "end_cuts": "whether the end of a program cuts the wire",
        "uv_on_arcs": "how U V change between the ends of an arc: evenly, or turning with it; left out, "
        "both are checked",
    },
    "LowerHead": {"face_z": "machine Z of its face", **_HEAD},
    "UpperHead": _HEAD,
    "MovingBox": _BOX,
    "UpperMovingBox": {
        **_BOX,
        "follows": "whether it goes where the upper guide goes, or stays over the lower one",
    },
    "TableBody": {"name": "its name in every answer", "box": "its extent"},
    "Block": {"x": "its extent in X", "y": "its extent in Y", "z": "its extent in Z"},
    "Nozzles": {
        "name": "its name, for heads.nozzles",
        "lower": "the lower nozzle and guide, where they are others",
        "upper": "the upper nozzle and guide, where they are others",
        "wire": "diameter of the wire that they are for: the job runs with it; left out, the machine's",
        "largest_lean": "the largest lean of the wire that they allow, degrees from the vertical; left out, "
        "it is not known",
        "z_shift": "by how much lower the upper face stands on the same carriage: both ends of travel in Z "
        "go down by it; left out, as much as the upper profile is longer than the machine's own",
    },
    "LowerNozzle": {
        **_NOZZLE,
        "face_z": "machine Z of its face, measured with it mounted; must be given with a profile",
    },
    "UpperNozzle": _NOZZLE,
    "JetIn": {
        "bore": "the nozzle's bore",
        "rough": "the pressure in rough cuts, bar",
        "trim": "the pressure in trim cuts, bar; left out, as in rough cuts",
        "area": "the wetted area under the jet in mm2, where it is larger than the bore's",
    },
    "FlushingIn": {"lower": "from below", "upper": "from above"},
    "OwnHolder": {
        "summary": "what it is, in a line",
        "origin": "where its X Y Z = 0 is, in a sentence",
        "units": "the unit of every length in this file",
        "does": "what it does to a part, or to what stands on it: bears it, grips it from beside, "
        "presses on it from above, carries other holders, attracts iron as a magnet",
        "fastened": "how it is fastened itself; what stands may tip",
        "laid": "whether it is laid by hand, so judged by the wide margins",
        "models": "the models that stand still",
        "moving": "the model that slides or turns, one at most",
        "seats": "where parts and other holders stand",
        "limits": "what it may hold",
        "cautions": "what the setter should be told, a sentence each",
    },
    "OwnBody": {
        **_MODEL,
        "sunk": "whether it is a screw that goes into what the holder stands on, and does not cut into it",
    },
    "OwnMoving": {
        **_MODEL,
        "slides": "the direction in which it slides as its value grows",
        "turns": "or: the line about which it turns, anticlockwise seen against the direction",
        "parameter": "what its value is called in params of an item: small letters, digits and _",
        "low": "the smallest value; a length where it slides, degrees where it turns",
        "high": "the largest value",
        "default": "the value where an item gives none",
        "drawn": "the value at which it stands as the model has it",
        "closes": "for fit: whether it meets the part as its value grows smaller (an opening) or larger",
        "meaning": "what its value is, in a line",
    },
    "OwnAxis": {
        "about": "a point on the line",
        "direction": "its direction; the model turns anticlockwise seen against it",
    },
    "OwnSeat": {
        "name": "its name, for seat of an item",
        "at": "where it lies in the holder's frame",
        "turn": "its turn about the holder's X, then Y, then Z",
        "meaning": "what stands there, in a line",
        "moves": "whether it goes along with the model that slides or turns",
    },
    "OwnLimit": {
        "quantity": "mass (kg) of all that stands on it; extents x, y, z or the diameter of the part in its "
        "seat; or a force (N), which is told and not judged",
        "low": "at least so much",
        "high": "at most so much",
        "source": "where the figure is from",
    },
    "NightIn": {
        "title": "a name for the night",
        "start": "when the first job begins, on the clock on the wall; with an offset where clocks change",
        "zone": 'the time zone of that clock, "Europe/Paris" say; left out, the clock of this computer',
        "together": "whether all jobs stand on one table at the same time; left out, each has a pallet of "
        "its own, or a table by its name",
        "threads_itself": "whether the machine threads the wire itself; left out, somebody has to be there",
        "changes_pallets": "whether the machine changes pallets itself; left out, somebody puts each job on",
        "most_threadings": "so often in a row it is trusted to thread alone; left out, any number of times",
        "passes": "words of the programs and what the pass is that begins there, "
        '{ D1 = "rough", D2 = "trim" }; where none is met, a pass along an earlier one is a trim, any other '
        "is rough",
        "spool": "the wire that is left on the machine",
        "times": "rates and times for the estimates",
        "present": "when somebody is there",
        "jobs": "the jobs, in the order in which they run",
    },
    "Present": {
        "from": "from when on: a time of day, 06:00:00, or a day and a time",
        "until": "until when; a time of day before from is that of the next day",
        "days": 'days of the week on which it begins, ["mon", "tue"]; left out, every day',
    },
    "SpoolIn": {
        "mass": "kg of wire that are left",
        "metres": "or: metres that are left",
        "diameter": "of the wire on it, mm; left out, the machine's. A job with other wire is not left alone",
        "density": "of the wire, g/cm3: brass with 37 % of zinc (from memory)",
        "speed": "how fast it runs off, m/min",
    },
    "Times": {
        "rough": "rough passes, mm2/min of metal",
        "trim": "trim passes, mm/min",
        "air": "cutting moves where no metal is, mm/min",
        "rapid": "rapid moves, mm/min",
        "z": "the upper head's way up and down, mm/min",
        "threading": "minutes for each threading, cutting the wire with it",
        "dwell": "minutes for each dwell (G04)",
        "change": "minutes for each change of pallets",
        "attend": "minutes that a person takes at a stop",
    },
    "NightJob": {
        "name": "its name in every answer",
        "setup": "its setup file, seen from this file",
        "approval": "its approval record; left out, it is not left alone",
        "table": "the name of the table on which it stands together with the other jobs that name it, each "
        "setup as it is written; left out, it has a pallet of its own",
        "due": "when it has to be done",
        "pinned": "whether it keeps its place in the order that --order proposes",
        "ran": 'how long it took, "312min" or "5h 12min", where it has run before this night: it only '
        "corrects the estimates of the others",
        "accepted": "pieces that may come free with nobody there",
    },
    "AcceptedIn": {
        "piece": 'its name, "slug of opening"; for all of that name',
        "reason": "why it may; it stands on the answer",
    },
}

#: all that can be said of an item may be changed, and reads alike
KEYS["ChangedItem"] = {
    "item": 'the item, as "P3/front rail"',
    **{key: said for key, said in KEYS["Item"].items() if key != "name"},
}
