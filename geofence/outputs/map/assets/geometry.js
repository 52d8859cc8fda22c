/* What is where: an index of the fence, room for labels, distances and clipping. */
(function (geofence) {
  "use strict";

  /* Posts and bays follow each other along the fence, so neighbours in the table are neighbours on the ground: boxes
     around runs of bays are all the index that drawing and hit testing need. */
  const RUN = 64;

  /** Boxes around runs of bays, in world pixels. */
  class Runs {
    constructor(plan) {
      const { x, y } = plan.posts;
      const { from, to, count } = plan.bays;
      this.boxes = [];
      for (let first = 0; first < count; first += RUN) {
        const last = Math.min(first + RUN, count);
        const box = { first, last, west: Infinity, east: -Infinity, north: Infinity, south: -Infinity };
        for (let bay = first; bay < last; bay++) {
          for (const post of [from[bay], to[bay]]) {
            box.west = Math.min(box.west, x[post]);
            box.east = Math.max(box.east, x[post]);
            box.north = Math.min(box.north, y[post]);
            box.south = Math.max(box.south, y[post]);
          }
        }
        this.boxes.push(box);
      }
    }

    within(west, north, east, south) {
      return this.boxes.filter(
        (box) => box.east >= west && box.west <= east && box.south >= north && box.north <= south,
      );
    }
  }

  /** Keeps what is written or set on the sheet from lying on top of each other. */
  class Room {
    constructor() {
      this.taken = new Map();
    }

    /** Takes a box if it is free; says whether it was. */
    take(x, y, halfWidth, halfHeight) {
      const free = this.free(x, y, halfWidth, halfHeight);
      if (free) this.put(x, y, halfWidth, halfHeight);
      return free;
    }

    free(x, y, halfWidth, halfHeight) {
      const [west, north, east, south] = [x - halfWidth, y - halfHeight, x + halfWidth, y + halfHeight];
      const apart = (other) => other[0] > east || other[2] < west || other[1] > south || other[3] < north;
      return this.cells(west, north, east, south).every((cell) => (this.taken.get(cell) || []).every(apart));
    }

    put(x, y, halfWidth, halfHeight) {
      const box = [x - halfWidth, y - halfHeight, x + halfWidth, y + halfHeight];
      for (const cell of this.cells(...box)) {
        if (!this.taken.has(cell)) this.taken.set(cell, []);
        this.taken.get(cell).push(box);
      }
    }

    cells(west, north, east, south) {
      const cells = [];
      for (let column = Math.floor(west / 64); column <= Math.floor(east / 64); column++) {
        for (let row = Math.floor(north / 64); row <= Math.floor(south / 64); row++) cells.push(`${column},${row}`);
      }
      return cells;
    }
  }

  function segmentDistance(px, py, ax, ay, bx, by) {
    const [dx, dy] = [bx - ax, by - ay];
    const square = dx * dx + dy * dy;
    const share = square ? Math.max(0, Math.min(1, ((px - ax) * dx + (py - ay) * dy) / square)) : 0;
    return Math.hypot(px - ax - share * dx, py - ay - share * dy);
  }

  /** Whether a point is within rings (each x, y, x, y), by how often a ray leaves them. */
  function within(px, py, rings) {
    let inside = false;
    for (const ring of rings) {
      for (let at = 0, last = ring.length - 2; at < ring.length; last = at, at += 2) {
        const [ax, ay, bx, by] = [ring[last], ring[last + 1], ring[at], ring[at + 1]];
        if (ay > py !== by > py && px < ((bx - ax) * (py - ay)) / (by - ay) + ax) inside = !inside;
      }
    }
    return inside;
  }

  /** The worse of two bay colours: over the limit, then the larger gap; a gate only where nothing else is. */
  function worse(one, other) {
    const rank = (colour) => (colour === geofence.style.GATE ? -1 : colour);
    return rank(one) >= rank(other) ? one : other;
  }

  /** A stretch, drawn out about its middle where it is shorter than a length. */
  function atLeast(least, ax, ay, bx, by) {
    const length = Math.hypot(bx - ax, by - ay);
    if (length >= least || length === 0) return [ax, ay, bx, by];
    const [dx, dy] = [((bx - ax) / length) * (least / 2), ((by - ay) / length) * (least / 2)];
    const [x, y] = [(ax + bx) / 2, (ay + by) / 2];
    return [x - dx, y - dy, x + dx, y + dy];
  }

  /** The box of a canvas with a margin around it. */
  const around = ({ width, height }, margin) => ({ west: -margin, north: -margin, east: width + margin, south: height + margin });

  /** The part of a stretch within a box (Liang and Barsky, 1984), or null. */
  function clip(ax, ay, bx, by, { west, north, east, south }) {
    if (Math.min(ax, bx) > east || Math.max(ax, bx) < west || Math.min(ay, by) > south || Math.max(ay, by) < north) return null;
    let [enter, leave] = [0, 1];
    const [dx, dy] = [bx - ax, by - ay];
    for (const [step, room] of [[-dx, ax - west], [dx, east - ax], [-dy, ay - north], [dy, south - ay]]) {
      if (step === 0 && room < 0) return null;
      if (step < 0) enter = Math.max(enter, room / step);
      if (step > 0) leave = Math.min(leave, room / step);
    }
    return enter < leave ? [ax + enter * dx, ay + enter * dy, ax + leave * dx, ay + leave * dy] : null;
  }

  Object.assign(geofence, { Runs, Room, segmentDistance, within, worse, atLeast, around, clip });
})((window.geofence = window.geofence || {}));
