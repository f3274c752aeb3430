"""The setup sheet: a judged result goes in, one HTML file that needs no network comes out.

Glossary
    sheet        everything that the page tells, as plain values (data.py, fetch.py): what the tests hold.
    element      one thing to take off the shelf and put up.
    place        a point of the machine to jog to, to try a gap with a feeler.
    chart        what each move has to spare, one drawing a cut (chart.py).
    scene        what can be turned about: traces for the drawing library in the page (scene.py).
    page         the HTML; every word that is not ours is escaped in one function there (page.py).
"""
