"""The holder library: one file a holder, parameters in, a solid with seats and limits out.

Glossary
    kind       what can be had: a rail, a strap. One module each; the module's name is the holder's name.
    holder     one built with given parameters, in its own frame H, origin on its rest face.
    seat       a named frame on the holder; what stands on it has its origin there, Z up from the seat.
    limit      what it may carry, with where the figure is from.
    laid       laid down by hand, so judged with the wider margin.
"""
