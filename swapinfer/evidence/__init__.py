"""From a replayed job and a pack to factors and bits."""
