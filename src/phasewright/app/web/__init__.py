"""The page: a loopback server over a folder of campaigns, for people who never open a terminal again.

Takes: a folder with campaigns, a browser on the same machine.
Gives: pages, drawings, tables, guides.
May import: jobs and, by their faces, the rooms below.
May touch: loopback sockets; campaign folders below the folder that is served.
Asks: is it something a person sees or presses in the browser?
"""

from __future__ import annotations

from phasewright.app.web.server import serve

__all__ = ["serve"]
