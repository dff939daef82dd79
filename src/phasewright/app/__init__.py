"""The doors: jobs (the steps that a person asks for, once), command line, page.

Takes: a person.
Gives: jobs, commands, pages.
May import: all rooms.
May touch: screen, loopback socket.
Asks: is it something a person asks for?
"""

__all__: list[str] = []
