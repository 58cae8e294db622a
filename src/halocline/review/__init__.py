"""Looking at results: sheets, plots, previews, and checks of finished sequences.

The flash check is a pre-check and no certified test.

- `contact_sheet`: pictures in rows (SheetTile, contact_sheet)
- `page`: the same for a browser (sheet_page)
- `compare`: one version against another (difference, film_strip, layer_pixels, slit_through_time)
- `versions_page`: two versions on one page for a browser (VersionPair, versions_page)
- `wedge`: one frame under many settings (parse_axis, wedge)
- `animation`: moving previews (animated, smaller)
- `plots`: what a water does (bar_figure, chart_figure, colour_figure, contrast_figure, figure_png,
  remap_figure, residual_figure, spectra_figure, veil_figure)
- `checks`: what a machine can find in a sequence (CheckReport, check_sequence)
- `checked_frame`: in one frame (CheckOptions)
- `flicker`: from frame to frame
- `eyes`: between the two views of a stereo picture
- `flash`: what may harm photosensitive viewers (Display)
"""
