"""Results as pictures: one look, one function a result, files as SVG or PNG."""
