/* How far posts and bays stand from zones, on the ground. */
(function (geofence) {
  "use strict";

  const { segmentDistance, within } = geofence;

  const cross = (ax, ay, bx, by) => ax * by - ay * bx;

  /** Distance between the stretch a-b and the stretch c-d; 0 where they cross. */
  function stretchDistance(ax, ay, bx, by, cx, cy, dx, dy) {
    const [one, other] = [cross(bx - ax, by - ay, cx - ax, cy - ay), cross(bx - ax, by - ay, dx - ax, dy - ay)];
    const [third, fourth] = [cross(dx - cx, dy - cy, ax - cx, ay - cy), cross(dx - cx, dy - cy, bx - cx, by - cy)];
    if (one * other < 0 && third * fourth < 0) return 0;
    return Math.min(
      segmentDistance(ax, ay, cx, cy, dx, dy), segmentDistance(bx, by, cx, cy, dx, dy),
      segmentDistance(cx, cy, ax, ay, bx, by), segmentDistance(dx, dy, ax, ay, bx, by),
    );
  }

  class ZoneDistances {
    constructor(plan, zones) {
      Object.assign(this, { plan, zones });
      this.earth = new geofence.Earth(plan.ground.height_m);
    }

    /** Ground distance from a post or bay to what is drawn of each zone, nearest first; 0 within an area.
        `told`: as all files tell it, to the millimetre; else worked out here. Never more than it is. */
    of(part, row) {
      const { bays, posts } = this.plan;
      const ends = part === "post" ? [row, row] : [bays.from[row], bays.to[row]];
      const [from, to] = ends.map((post) => ({ lng: posts.lonDeg.value(post), lat: posts.latDeg.value(post) }));
      const [east, north] = this.earth.metresPerDegree(from.lat);
      const local = (lng, lat) => [(lng - from.lng) * east, (lat - from.lat) * north];
      const stretch = [0, 0, ...local(to.lng, to.lat)];
      return this.zones
        .map((zone, at) => {
          const told = part === "post" ? zone.awayM.get(row) : undefined;
          return { zone: at, told: told !== undefined, distanceM: told ?? this.drawnDistance(zone, stretch, local) };
        })
        .filter(({ distanceM }) => Number.isFinite(distanceM))
        .sort((one, other) => one.distanceM - other.distanceM);
    }

    /** Metres from a stretch to what is drawn of a zone, both on the plane that `local(lng, lat)` gives. */
    drawnDistance({ outlines }, stretch, local) {
      const ways = outlines.map(({ lng, lat }) => Array.from(lng, (deg, point) => local(deg, lat[point])).flat());
      let nearest = Infinity;
      for (const way of ways) {
        for (let at = 0; at < way.length; at += 2) {
          const before = Math.max(0, at - 2);
          nearest = Math.min(nearest, stretchDistance(...stretch, way[before], way[before + 1], way[at], way[at + 1]));
        }
      }
      const inside = within(stretch[0], stretch[1], ways.filter((_, at) => outlines[at].area));
      return inside ? 0 : nearest;
    }
  }

  Object.assign(geofence, { ZoneDistances });
})((window.geofence = window.geofence || {}));
