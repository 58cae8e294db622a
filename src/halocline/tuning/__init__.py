"""A preset tuned by eye: its text under change, its picture, and the page in the browser that shows both.

`page` is the folder of what runs in the browser.

- `session`: the text, every change of it checked, undone and done again, saved as a new version (Session)
- `keys`: every key of a preset with meaning, unit and range
- `forms`: how a key is set, and its unit
- `additions`: steps and rows that can be added, and with what each begins
- `pictures`: frames under the preset for the display, and what is at a pixel (Pictures)
- `pace`: how fine first looks are (Pace)
- `reference`: a still to compare with, and the water found from samples marked on it
- `plots`: what the water does
- `server`: the page's server, for this machine alone (Server, serve)
"""
