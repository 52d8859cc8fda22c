"""``python -m geofence``."""

from geofence.cli import main

if __name__ == "__main__":
    main()
