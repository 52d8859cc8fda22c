/* Distance and area on the ground: the WGS 84 ellipsoid, carried up to the height of the fence's ground.
   Equal-area projection: J. P. Snyder, Map Projections, a Working Manual (1987), equations 3-11, 3-12 and 24-2 to 24-4. */
(function (geofence) {
  "use strict";

  const A = 6378137;
  const F = 1 / 298.257223563;
  const E2 = F * (2 - F);
  const E = Math.sqrt(E2);
  const rad = (deg) => (deg * Math.PI) / 180;

  /** The Earth at a height above the ellipsoid. */
  class Earth {
    constructor(heightM) {
      this.heightM = heightM;
    }

    /** Mean radius of curvature at a latitude: of all directions through it. */
    radius(latDeg) {
      const w2 = 1 - E2 * Math.sin(rad(latDeg)) ** 2;
      return (A * Math.sqrt(1 - E2)) / w2;
    }

    /** Metres on the ground east and north per degree, at a latitude. */
    metresPerDegree(latDeg) {
      const w2 = 1 - E2 * Math.sin(rad(latDeg)) ** 2;
      const scale = this.scale(latDeg);
      return [rad(1) * (A / Math.sqrt(w2)) * Math.cos(rad(latDeg)) * scale, rad(1) * ((A * (1 - E2)) / (w2 * Math.sqrt(w2))) * scale];
    }

    /** A length on the ground for one on the ellipsoid. */
    scale(latDeg) {
      return 1 + this.heightM / this.radius(latDeg);
    }

    /** Ground distance between two places {lat, lng}: the chord through the ellipsoid, bent back to its arc. */
    distance(one, other) {
      const [a, b] = [one, other].map(({ lat, lng }) => {
        const n = A / Math.sqrt(1 - E2 * Math.sin(rad(lat)) ** 2);
        const level = n * Math.cos(rad(lat));
        return [level * Math.cos(rad(lng)), level * Math.sin(rad(lng)), n * (1 - E2) * Math.sin(rad(lat))];
      });
      const chord = Math.hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]);
      const middle = (one.lat + other.lat) / 2;
      const radius = this.radius(middle);
      return 2 * radius * Math.asin(Math.min(1, chord / (2 * radius))) * this.scale(middle);
    }

    /** Area on the ground within a ring of places, m2. */
    area(ring) {
      const middle = {
        lat: ring.reduce((sum, { lat }) => sum + lat, 0) / ring.length,
        lng: ring.reduce((sum, { lng }) => sum + lng, 0) / ring.length,
      };
      const flat = ring.map((place) => equalArea(place, middle));
      let twice = 0;
      flat.forEach(([x, y], row) => {
        const [nextX, nextY] = flat[(row + 1) % flat.length];
        twice += x * nextY - nextX * y;
      });
      return (Math.abs(twice) / 2) * this.scale(middle.lat) ** 2;
    }
  }

  const q = (sine) => (1 - E2) * (sine / (1 - E2 * sine * sine) - Math.log((1 - E * sine) / (1 + E * sine)) / (2 * E));
  const POLE = q(1);
  const authalic = (latDeg) => Math.asin(Math.max(-1, Math.min(1, q(Math.sin(rad(latDeg))) / POLE)));

  /** A place on Lambert's azimuthal equal-area projection about another, metres. */
  function equalArea({ lat, lng }, middle) {
    const [beta, beta0, turn] = [authalic(lat), authalic(middle.lat), rad(lng - middle.lng)];
    const cosine = Math.sin(beta0) * Math.sin(beta) + Math.cos(beta0) * Math.cos(beta) * Math.cos(turn);
    const reach = A * Math.sqrt(POLE / 2) * Math.sqrt(2 / (1 + cosine));
    return [
      reach * Math.cos(beta) * Math.sin(turn),
      reach * (Math.cos(beta0) * Math.sin(beta) - Math.sin(beta0) * Math.cos(beta) * Math.cos(turn)),
    ];
  }

  Object.assign(geofence, { Earth });
})((window.geofence = window.geofence || {}));
