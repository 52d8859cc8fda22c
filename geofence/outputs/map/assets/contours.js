/* Contours of the ground, from the same levels as the terrain picture. */
(function (geofence) {
  "use strict";

  const { style, unpack } = geofence;
  const INDEX = 5; // every so many a heavier one, with its level
  const LABEL_FROM_PX = 170;
  const PARTS = 8; // of a cell, in which places are written

  class Contours {
    constructor(data, terrain) {
      const rows = data.level_m.length;
      const columns = unpack(data.column, data.count);
      const down = unpack(data.row, data.count);
      const perX = (terrain.east - terrain.west) / data.columns;
      const perY = (terrain.south - terrain.north) / data.rows;
      let at = 0;
      this.lines = [];
      for (let row = 0; row < rows; row++) {
        const line = { levelM: data.level_m[row], x: [], y: [], west: Infinity, east: -Infinity, north: Infinity, south: -Infinity };
        for (const end = at + data.points[row]; at < end; at++) {
          const x = terrain.west + (columns[at] / PARTS + 0.5) * perX;
          const y = terrain.north + (down[at] / PARTS + 0.5) * perY;
          line.x.push(x);
          line.y.push(y);
          [line.west, line.east] = [Math.min(line.west, x), Math.max(line.east, x)];
          [line.north, line.south] = [Math.min(line.north, y), Math.max(line.south, y)];
        }
        line.index = Math.round(line.levelM / data.interval_m) % INDEX === 0;
        this.lines.push(line);
      }
    }

    inView({ scale, left, top, width, height }) {
      const [west, east, north, south] = [left / scale, (left + width) / scale, top / scale, (top + height) / scale];
      return this.lines.filter((line) => line.east >= west && line.west <= east && line.south >= north && line.north <= south);
    }

    draw(context, frame) {
      const seen = this.inView(frame);
      context.lineJoin = "round";
      context.strokeStyle = style.CONTOUR;
      for (const index of [false, true]) {
        context.beginPath();
        for (const { x, y } of seen.filter((line) => line.index === index)) {
          const last = x.length - 1;
          const px = (row) => x[row] * frame.scale - frame.left;
          const py = (row) => y[row] * frame.scale - frame.top;
          context.moveTo(px(0), py(0));
          // Rounded from middle to middle of its pieces, so that it shows no corners close up.
          for (let at = 1; at < last; at++) {
            context.quadraticCurveTo(px(at), py(at), (px(at) + px(at + 1)) / 2, (py(at) + py(at + 1)) / 2);
          }
          context.lineTo(px(last), py(last));
        }
        context.lineWidth = index ? 1.5 : 0.8;
        context.stroke();
      }
      return { contours: seen.length };
    }

    /** Levels on the heavier lines, each at a place in view where the line runs straight for as long as its text. */
    label(labels, frame) {
      for (const { x, y, levelM } of this.inView(frame).filter((line) => line.index)) {
        const near = ([px, py]) => Math.hypot(px - frame.width / 2, py - frame.height / 2);
        const at = (row) => [x[row] * frame.scale - frame.left, y[row] * frame.scale - frame.top];
        if ((Math.max(...x) - Math.min(...x) + Math.max(...y) - Math.min(...y)) * frame.scale < LABEL_FROM_PX) continue;
        let best = null;
        for (let row = 1; row < x.length; row++) {
          const [[ax, ay], [bx, by]] = [at(row - 1), at(row)];
          const middle = [(ax + bx) / 2, (ay + by) / 2];
          if (Math.hypot(bx - ax, by - ay) < 14 || (best && near(middle) > near(best.middle))) continue;
          best = { middle, angle: Math.atan2(by - ay, bx - ax) };
        }
        if (!best || near(best.middle) > Math.hypot(frame.width, frame.height) / 2) continue;
        const upright = best.angle > Math.PI / 2 || best.angle <= -Math.PI / 2 ? best.angle + Math.PI : best.angle;
        labels.write(String(levelM), ...best.middle, { angle: upright, fill: style.CONTOUR_TEXT });
      }
    }
  }

  Object.assign(geofence, { Contours });
})((window.geofence = window.geofence || {}));
