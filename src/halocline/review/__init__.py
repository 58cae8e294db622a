"""Looking at results: sheets, plots, previews, and checks of finished sequences.

- `contact_sheet`, `page`, `compare`, `wedge`, `animation`, `plots`: pictures for people
- `checks`, `checked_frame`, `flicker`, `flash`: what a machine can find; the flash check is a pre-check
  and no
  certified test
"""
