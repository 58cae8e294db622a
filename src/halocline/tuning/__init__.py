"""A preset tuned by eye: its text under change, its picture, and the page in the browser that shows both.

- `session`: the text, every change of it checked, undone and done again, saved as a new version
- `keys`: every key of a preset with meaning, unit and range, for the page
- `pictures`: frames under the preset as display pixels, and what is at a pixel; `plots`: what the water does
- `server`: the page's server, for this machine alone; `page/`: what runs in the browser
"""
