/* The ground of the long-section. */
(function (geofence) {
  "use strict";

  const { style, unpack, firstOver } = geofence;

  class SectionGround {
    constructor({ section, lines }) {
      const { chainage_m: chainage, level_m: level, count, starts } = section;
      this.levelM = unpack(level, count).map((number) => number / 1000);
      // Places on the section's axis: chainages, each line moved on to its own stretch.
      this.placeM = unpack(chainage, count).map((number) => number / 100);
      lines.runs.forEach((run, row) => {
        for (let at = starts[row]; at < (starts[row + 1] ?? count); at++) this.placeM[at] += run.moved;
      });
      this.several = lines.several;
      this.breaks = new Set(starts);
    }

    /** Level of the drawn ground at a place. */
    at(placeM) {
      const after = Math.min(Math.max(firstOver(this.placeM, placeM), 1), this.placeM.length - 1);
      const [from, to] = [this.placeM[after - 1], this.placeM[after]];
      const share = to > from ? Math.max(0, Math.min(1, (placeM - from) / (to - from))) : 0;
      return this.levelM[after - 1] + share * (this.levelM[after] - this.levelM[after - 1]);
    }

    /** Rows in view, the first and the one after the last. */
    rows({ from, to }) {
      let first = Math.max(0, firstOver(this.placeM, from) - 1);
      let last = Math.min(this.placeM.length, firstOver(this.placeM, to) + 1);
      // A point beyond the view leads the ground on to its edge, unless it is another line's.
      if (this.several && this.breaks.has(first + 1) && this.placeM[first + 1] <= to) first += 1;
      if (this.several && this.breaks.has(last - 1) && this.placeM[last - 1] > to) last -= 1;
      return [first, last];
    }

    /** Calls `visit` with each level of some rows. */
    levels([first, last], visit) {
      for (let row = first; row < last; row++) visit(this.levelM[row]);
    }

    /** The ground filled down to its foot, stretch by stretch. */
    draw(context, section, [first, last]) {
      const dense = last - first > 2 * section.width;
      const [line, body] = [new Path2D(), new Path2D()];
      let [start, stretches] = [first, 0];
      for (let row = first + 1; row <= last; row++) {
        if (row < last && !this.breaks.has(row)) continue;
        const points = dense ? this.columns(section, start, row) : this.points(section, start, row);
        points.forEach(([x, y], place) => (place ? line.lineTo(x, y) : line.moveTo(x, y)));
        traceBody(body, points, section.plot.bottom);
        stretches++;
        start = row;
      }
      context.fillStyle = style.EARTH;
      context.fill(body);
      context.strokeStyle = style.GROUND;
      context.lineWidth = 1.6;
      context.lineJoin = "bevel";
      context.stroke(line);
      return { stretches };
    }

    points(section, first, last) {
      const points = [];
      for (let row = first; row < last; row++) points.push([section.x(this.placeM[row]), section.y(this.levelM[row])]);
      return points;
    }

    /** One point for each two columns of pixels: the highest of the ground there, so that no ridge is lost. */
    columns(section, first, last) {
      const points = [];
      let column = NaN;
      for (let row = first; row < last; row++) {
        const x = section.x(this.placeM[row]);
        const y = section.y(this.levelM[row]);
        if (Math.floor(x / 2) !== column) {
          column = Math.floor(x / 2);
          points.push([x, y]);
        } else if (y < points[points.length - 1][1]) points[points.length - 1][1] = y;
      }
      return points;
    }
  }

  function traceBody(path, points, foot) {
    path.moveTo(points[0][0], foot);
    for (const [x, y] of points) path.lineTo(x, y);
    path.lineTo(points[points.length - 1][0], foot);
    path.closePath();
  }

  Object.assign(geofence, { SectionGround });
})((window.geofence = window.geofence || {}));
