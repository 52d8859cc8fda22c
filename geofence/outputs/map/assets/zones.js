/* Zones: what the fence was held against, each with its reach around what is drawn, and how far things stand from it. */
(function (geofence) {
  "use strict";

  const { style, segmentDistance } = geofence;
  const RIM_PX = 1.3;
  const TINT = 0.2;
  const THIN_PX = 0.4;
  const LABEL_FROM_PX = 12; // of reach: from here a place alone has its zone's name
  const LABEL_HALF_PX = 160;
  const LABEL_SIDE_PX = 40; // shorter than any name with what it says of its rule
  const BELOW_PX = 24; // so far below the reach, as labels stand above their line
  const A = 6378137;
  const E2 = (1 / 298.257223563) * (2 - 1 / 298.257223563);
  const rad = (deg) => (deg * Math.PI) / 180;

  /** Metres east and north of a place {lat, lng} per degree, on the ground. */
  function metresPerDegree({ lat }, scale) {
    const w2 = 1 - E2 * Math.sin(rad(lat)) ** 2;
    const east = (A / Math.sqrt(w2)) * Math.cos(rad(lat));
    const north = (A * (1 - E2)) / (w2 * Math.sqrt(w2));
    return [rad(1) * east * scale, rad(1) * north * scale];
  }

  /** Whether a point is within rings (each an array of [x, y]), by how often a ray leaves them. */
  function within(px, py, rings) {
    let inside = false;
    for (const ring of rings) {
      for (let row = 0, last = ring.length - 1; row < ring.length; last = row++) {
        const [[ax, ay], [bx, by]] = [ring[last], ring[row]];
        if (ay > py !== by > py && px < ((bx - ax) * (py - ay)) / (by - ay) + ax) inside = !inside;
      }
    }
    return inside;
  }

  function inView({ west, east, north, south }, { scale, left, top, width, height }) {
    return east * scale > left && west * scale < left + width && south * scale > top && north * scale < top + height;
  }

  function trace(path, points) {
    points.forEach((point, row) => (row ? path.lineTo(...point) : path.moveTo(...point)));
    path.closePath();
  }

  /** Only what is in view: dashes along kilometres cost as much as they are long on screen. */
  function traceSeen(path, points, frame) {
    let last = [NaN, NaN];
    points.forEach((point, row) => {
      // A stretch of no length would not be drawn at all.
      const from = points.length === 1 ? [point[0] - 0.01, point[1]] : points[Math.max(0, row - 1)];
      const seen = geofence.clip(...from, ...point, frame.width, frame.height, 20);
      if (!seen) return;
      if (last[0] !== seen[0] || last[1] !== seen[1]) path.moveTo(seen[0], seen[1]);
      path.lineTo(seen[2], seen[3]);
      last = [seen[2], seen[3]];
    });
  }

  const cross = (ax, ay, bx, by) => ax * by - ay * bx;

  /** Distance between the stretch a-b and the stretch c-d; 0 where they cross. */
  function stretchDistance([ax, ay], [bx, by], [cx, cy], [dx, dy]) {
    const [one, other] = [cross(bx - ax, by - ay, cx - ax, cy - ay), cross(bx - ax, by - ay, dx - ax, dy - ay)];
    const [third, fourth] = [cross(dx - cx, dy - cy, ax - cx, ay - cy), cross(dx - cx, dy - cy, bx - cx, by - cy)];
    if (one * other < 0 && third * fourth < 0) return 0;
    return Math.min(
      segmentDistance(ax, ay, cx, cy, dx, dy), segmentDistance(bx, by, cx, cy, dx, dy),
      segmentDistance(cx, cy, ax, ay, bx, by), segmentDistance(dx, dy, ax, ay, bx, by),
    );
  }

  class Zones {
    constructor(plan) {
      this.plan = plan;
      this.earth = new geofence.Earth(plan.ground.height_m);
      this.zones = plan.zones.map((zone) => this.read(zone));
    }

    read(zone) {
      const look = style.ZONES[zone.rule] || style.ZONES.consult;
      const box = { west: Infinity, east: -Infinity, north: Infinity, south: -Infinity };
      const way = (packed) => {
        const [lng, lat] = ["lon_deg", "lat_deg"].map((name) =>
          geofence.unpack(packed[name], packed.count).map((number) => number / 10 ** packed[name].decimals),
        );
        const points = Array.from(lng, (deg, row) => geofence.project(deg, lat[row]));
        for (const [x, y] of points) {
          [box.west, box.east] = [Math.min(box.west, x), Math.max(box.east, x)];
          [box.north, box.south] = [Math.min(box.north, y), Math.max(box.south, y)];
        }
        return { area: packed.area, lng, lat, points };
      };
      return { ...zone, look, outlines: zone.outlines.map(way), reach: zone.reach.map(way), box };
    }

    /** Zones in view; those of one rule share a tint, so that where they overlap it is no darker. */
    draw(context, frame) {
      const rules = new Map();
      for (const zone of this.zones) {
        if (!inView(zone.box, frame)) continue;
        if (!rules.has(zone.look)) rules.set(zone.look, []);
        rules.get(zone.look).push(zone);
      }
      context.lineJoin = context.lineCap = "round";
      for (const [look, zones] of rules) this.drawRule(context, look, zones, frame);
      context.lineCap = "butt";
      return [...rules.values()].reduce((sum, zones) => sum + zones.length, 0);
    }

    /** What is drawn as a line with its rule's dashes, all within its reach tinted, a thin rim where that ends. */
    drawRule(context, look, zones, frame) {
      const [tint, rim, lines] = [new Path2D(), new Path2D(), new Path2D()];
      for (const { outlines, reach, reach_m: reachM } of zones) {
        for (const way of reach) trace(tint, this.points(way, frame));
        if (reachM > 0) for (const way of reach) traceSeen(rim, this.points(way, frame), frame);
        for (const way of outlines) traceSeen(lines, this.points(way, frame), frame);
      }
      context.globalAlpha = TINT;
      context.fillStyle = look.colour;
      context.fill(tint); // the rings run so that holes stay open
      context.globalAlpha = 1;
      context.strokeStyle = look.text;
      context.lineWidth = RIM_PX;
      context.stroke(rim);
      context.lineWidth = 2;
      context.setLineDash(look.dash);
      context.stroke(lines);
      context.setLineDash([]);
    }

    /** A way's points on the canvas, without those that cannot be told apart; kept until the scale changes. */
    points(way, frame) {
      if (way.scale !== frame.scale) {
        way.scale = frame.scale;
        way.thin = geofence.thin(way.points, THIN_PX / frame.scale);
      }
      return way.thin.map(([x, y]) => [x * frame.scale - frame.left, y * frame.scale - frame.top]);
    }

    /** A level stretch at the foot of the reach of a zone that is a place alone; null for others, or out of view. */
    belowPlace({ outlines, reach_m: reachM }, { scale, left, top, width, height, pxPerMetre }) {
      const [{ points }] = outlines.length ? outlines : [{ points: [] }];
      if (points.length !== 1 || reachM * pxPerMetre < LABEL_FROM_PX) return null;
      const [x, y] = [points[0][0] * scale - left, points[0][1] * scale - top + reachM * pxPerMetre + BELOW_PX];
      if (x < 0 || y < 0 || x > width || y > height) return null;
      return [x - LABEL_HALF_PX, y, x + LABEL_HALF_PX, y];
    }

    /** A zone's name along the longest of its sides that is in view; that of a place alone below its reach. */
    label(frame, write) {
      const { scale, left, top, width, height } = frame;
      for (const zone of this.zones) {
        let [best, longest] = [null, 0];
        for (const { points } of zone.outlines) {
          for (let row = 1; row < points.length; row++) {
            const [[ax, ay], [bx, by]] = [points[row - 1], points[row]];
            // Most sides are too short for any name, and need no more than this look.
            if ((Math.abs(bx - ax) + Math.abs(by - ay)) * scale < Math.max(longest, LABEL_SIDE_PX)) continue;
            const seen = geofence.clip(ax * scale - left, ay * scale - top, bx * scale - left, by * scale - top, width, height);
            const length = seen ? Math.hypot(seen[2] - seen[0], seen[3] - seen[1]) : 0;
            if (length > longest) [best, longest] = [seen, length];
          }
        }
        if (!best) best = this.belowPlace(zone, frame);
        if (best) write(`${zone.name} · ${zone.look.word}`, ...best, 11, { fill: zone.look.text });
      }
    }

    /** The zone at a place of the canvas, the last drawn first; -1 for none. */
    hit(frame, place) {
      const at = ([x, y]) => [x * frame.scale - frame.left, y * frame.scale - frame.top];
      for (let row = this.zones.length - 1; row >= 0; row--) {
        const { outlines, reach_m: reachM } = this.zones[row];
        const drawn = outlines.map(({ area, points }) => ({ area, way: points.map(at) }));
        const reach = Math.max(6, reachM * frame.pxPerMetre);
        const near = ({ way }) => way.some((point, next) => {
          const from = way[Math.max(0, next - 1)];
          return segmentDistance(place.x, place.y, ...from, ...point) <= reach;
        });
        if (within(place.x, place.y, drawn.filter(({ area }) => area).map(({ way }) => way)) || drawn.some(near)) return row;
      }
      return -1;
    }

    /** Ground distance from a post or bay to where each zone's reach begins, nearest first; negative within. */
    distances(part, row) {
      const { plan } = this;
      const { lonDeg, latDeg } = plan.posts;
      const posts = part === "post" ? [row] : [plan.bays.from[row], plan.bays.to[row]];
      const places = posts.map((post) => ({ lat: latDeg.value(post), lng: lonDeg.value(post) }));
      const [east, north] = metresPerDegree(places[0], this.earth.scale(places[0].lat));
      const local = ({ lat, lng }) => [(lng - places[0].lng) * east, (lat - places[0].lat) * north];
      const [from, to] = [local(places[0]), local(places[places.length - 1])];
      const found = this.zones.map((zone, at) => {
        const ways = zone.outlines.map(({ area, lng, lat }) => ({ area, way: Array.from(lng, (deg, point) => local({ lng: deg, lat: lat[point] })) }));
        let nearest = Infinity;
        for (const { way } of ways) {
          for (let point = 0; point < way.length; point++) {
            nearest = Math.min(nearest, stretchDistance(from, to, way[Math.max(0, point - 1)], way[point]));
          }
        }
        const rings = ways.filter(({ area }) => area).map(({ way }) => way);
        const inside = within(...from, rings);
        return { zone: at, distanceM: (inside ? -nearest : nearest) - zone.reach_m };
      });
      return found.filter(({ distanceM }) => Number.isFinite(distanceM)).sort((one, other) => one.distanceM - other.distanceM);
    }
  }

  Object.assign(geofence, { Zones });
})((window.geofence = window.geofence || {}));
