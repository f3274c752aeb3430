"""FCL, swallowed bodies, the flat view, their agreement, the verdict.

Glossary
    clearance  smallest distance in space between a head's envelope and an item.
    side       smallest horizontal distance where the two share a height (within the height margin).
    height     smallest vertical distance where one is over the other (within the side margin).
    clash      the head, grown by the item's allow, touches it.   close: grown by the margin as well.
    spare      the smaller of side and height less allow and margin.
"""
