/* Texts on the drawings: each has its own room, and what comes first keeps it. */
(function (geofence) {
  "use strict";

  const { style, Room } = geofence;
  const HALF_HEIGHT_PX = 7;
  const PIECE_PX = 24;
  const ASIDE = [0, -0.4, 0.4, -0.8, 0.8]; // of the room along a stretch, from its middle

  const font = ({ bold = false, sizePx = 12 }) => `${bold ? "600 " : ""}${sizePx}px ${style.FONT}`;

  /** A text in ink within a halo, about a point or from it. */
  function writeText(context, text, px, py, look) {
    context.save();
    context.translate(px, py);
    context.rotate(look.angle || 0);
    context.font = font(look);
    context.textAlign = look.align || "center";
    context.textBaseline = "middle";
    context.lineJoin = "round";
    context.lineWidth = 3.5;
    context.strokeStyle = style.HALO;
    context.strokeText(text, 0, 0);
    context.fillStyle = look.fill || style.INK;
    context.fillText(text, 0, 0);
    context.restore();
  }

  function textWidth(context, text, look) {
    context.font = font(look);
    return context.measureText(text).width;
  }

  /** The boxes that a text takes: a slanted one piece by piece, as its upright box would claim far too much. */
  function boxes(px, py, half, angle) {
    if (!angle) return [[px, py, half, HALF_HEIGHT_PX]];
    const pieces = Math.max(1, Math.round((2 * half) / PIECE_PX));
    const [cos, sin] = [Math.cos(angle), Math.sin(angle)];
    const across = (along, other) => (half / pieces) * Math.abs(along) + HALF_HEIGHT_PX * Math.abs(other);
    return Array.from({ length: pieces }, (_, piece) => {
      const along = -half + (2 * half * (piece + 0.5)) / pieces;
      return [px + along * cos, py + along * sin, across(cos, sin), across(sin, cos)];
    });
  }

  class Labels {
    constructor(context) {
      this.context = context;
      this.room = new Room();
      this.texts = [];
    }

    /** Writes a text about a point if there is room; says whether there was. */
    write(text, px, py, look) {
      const taken = boxes(px, py, textWidth(this.context, text, look) / 2, look.angle);
      if (!taken.every((box) => this.room.free(...box))) return false;
      for (const box of taken) this.room.put(...box);
      writeText(this.context, text, px, py, look);
      this.texts.push(text);
      return true;
    }

    /** A text along a stretch, beside it where there is room: in the middle of its upper side if it can be. */
    along(text, [ax, ay, bx, by], away, look) {
      const width = textWidth(this.context, text, look);
      const length = Math.hypot(bx - ax, by - ay);
      if (length < width + 16) return;
      let angle = Math.atan2(by - ay, bx - ax);
      if (angle > Math.PI / 2 || angle <= -Math.PI / 2) angle += Math.PI;
      const room = (length - width) / length / 2;
      for (const side of [away, -away]) {
        for (const aside of ASIDE) {
          const share = 0.5 + aside * room;
          const px = ax + (bx - ax) * share + Math.sin(angle) * side;
          const py = ay + (by - ay) * share - Math.cos(angle) * side;
          if (this.write(text, px, py, { ...look, angle })) return;
        }
      }
    }
  }

  Object.assign(geofence, { Labels, writeText, textWidth });
})((window.geofence = window.geofence || {}));
