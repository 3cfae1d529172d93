"""Every word that people read: English in the code, other languages in catalogues, `LANGUAGE/ROOM.po`."""
