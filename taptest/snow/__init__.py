"""Results on snow, and which properties of skis go with them."""
