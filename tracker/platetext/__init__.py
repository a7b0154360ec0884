"""From any file that a printer may be sent to the text of its plate, in whole lines.

Bytes in, lines out: `source` opens what is given and says why it is no plate; `containers` finds the
plates of packed files (ZIP, gzip, and `bgcode`, the binary form of G-code) and unpacks them, within bounds.
What the lines mean is the business of `tracker.platefile`.
"""
