/* What was shot in the field: points of the survey beside the line, with their levels where there is room. */
(function (geofence) {
  "use strict";

  const { style, unpack } = geofence;
  const LEVELS_FROM_PX = 9; // a metre on screen: from here points have their levels beside them
  const MOST_LEVELS = 400; // texts in one picture
  const ARM_PX = 3.2;
  const MOST_REACH_PX = 6; // of a pointer: points may stand close together

  class Survey {
    constructor(shot) {
      const column = (name) => unpack(shot[name], shot.count).map((number) => number / 10 ** shot[name].decimals);
      [this.lon, this.lat] = [column("lon_deg"), column("lat_deg")];
      const level = shot.level_m;
      this.levels = unpack(level, shot.count);
      this.decimals = level.decimals;
      this.count = shot.count;
      this.x = new Float64Array(shot.count);
      this.y = new Float64Array(shot.count);
      for (let row = 0; row < shot.count; row++) [this.x[row], this.y[row]] = geofence.project(this.lon[row], this.lat[row]);
    }

    /** Level of a point as text. */
    level(row, decimals = this.decimals) {
      return (this.levels[row] / 10 ** this.decimals).toFixed(decimals);
    }

    place(row) {
      return { lat: this.lat[row], lng: this.lon[row] };
    }

    /** Calls `visit(row, x, y)` for each point on the canvas. */
    each({ scale, left, top, width, height }, visit) {
      for (let row = 0; row < this.count; row++) {
        const [px, py] = [this.x[row] * scale - left, this.y[row] * scale - top];
        if (px > -ARM_PX && py > -ARM_PX && px < width + ARM_PX && py < height + ARM_PX) visit(row, px, py);
      }
    }

    draw(context, frame) {
      let drawn = 0;
      context.beginPath();
      this.each(frame, (row, px, py) => {
        drawn++;
        context.moveTo(px - ARM_PX, py);
        context.lineTo(px + ARM_PX, py);
        context.moveTo(px, py - ARM_PX);
        context.lineTo(px, py + ARM_PX);
      });
      context.strokeStyle = style.SURVEY;
      context.lineWidth = 1.2;
      context.stroke();
      return { survey: drawn };
    }

    label(labels, frame) {
      if (frame.pxPerMetre < LEVELS_FROM_PX) return;
      let left = MOST_LEVELS;
      this.each(frame, (row, px, py) => {
        if (left-- > 0) labels.write(this.level(row, 2), px + 23, py, { fill: style.SURVEY });
      });
    }

    /** The nearest point within reach of a place on the canvas. */
    hit(frame, place, reach) {
      let [best, nearest] = [null, Math.min(reach, MOST_REACH_PX)];
      this.each(frame, (row, px, py) => {
        const distance = Math.hypot(px - place.x, py - place.y);
        if (distance <= nearest) [best, nearest] = [{ part: "shot", row }, distance];
      });
      return best;
    }
  }

  Object.assign(geofence, { Survey });
})((window.geofence = window.geofence || {}));
