"""Where an item may stand: a scene and an item's name go in; all its places, proven, come out.

``seats``: the family of places that the item has: on a plane, or on a screw in one of its carrier's holes.
``free``: at which of them no head meets it, by boxes of places (``kernels/meridian/places``).
``work``: at which it stands wholly on its carrier, does its work in every state, and cuts into nothing.
``best``: of these the one with the most room.   ``answer``: all of that asked together, and confirmed.
``several``: places of up to three items at once.   ``opens``: what would make room where there is none.
"""
