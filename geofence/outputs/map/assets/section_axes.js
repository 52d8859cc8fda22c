/* The frame of the long-section: levels at its side, chainages and names of lines at its foot. */
(function (geofence) {
  "use strict";

  const { style } = geofence;
  const LEVELS_APART_PX = 26;
  const CHAINAGES_APART_PX = 88;
  const NAME_FROM_PX = 24; // of a line's stretch in view

  /** The largest 1, 2 or 5 times a power of ten that is at least `least`. */
  function roundStep(least) {
    const power = 10 ** Math.floor(Math.log10(least));
    return [1, 2, 5, 10].find((factor) => factor * power >= least * 0.999999) * power;
  }

  class SectionAxes {
    constructor(lines) {
      this.lines = lines;
    }

    drawLevels(context, section) {
      const { plot } = section;
      const step = roundStep(LEVELS_APART_PX / section.scaleY);
      const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
      context.strokeStyle = style.GRID;
      context.lineWidth = 1;
      const [low, high] = [section.levelAt(plot.bottom), section.levelAt(plot.top)];
      for (let level = Math.ceil(low / step) * step; level <= high; level += step) {
        const y = Math.round(section.y(level)) + 0.5;
        context.beginPath();
        context.moveTo(plot.left, y);
        context.lineTo(plot.right, y);
        context.stroke();
        section.write(level.toFixed(decimals), plot.left - 6, y, { align: "right" });
      }
      section.write("Level, m", 5, 9, { align: "left", fill: style.QUIET });
    }

    drawChainages(context, section) {
      const { plot } = section;
      const step = roundStep(CHAINAGES_APART_PX / section.pxPerMetre);
      context.strokeStyle = style.INK;
      context.lineWidth = 1;
      context.strokeRect(plot.left + 0.5, 1.5, plot.right - plot.left - 1, plot.bottom - 2);
      context.beginPath();
      for (const { at, x } of this.ticks(section, step)) {
        context.moveTo(x, plot.bottom);
        context.lineTo(x, plot.bottom + 5);
        const inside = Math.max(plot.left + 10, Math.min(x, plot.right - 22));
        if (this.lines.several && !section.room.take(inside, plot.bottom + 13, 29, 6)) continue;
        section.write(geofence.station(at, step < 1 ? 1 : 0), inside, plot.bottom + 13);
      }
      context.stroke();
      return { lines: this.lines.several ? this.drawLineNames(context, section) : [] };
    }

    /** Round chainages in view; where each line begins comes first, and keeps its room. */
    ticks(section, step) {
      const ticks = [];
      for (const { moved, from, to } of this.lines.spans) {
        const [first, last] = [Math.max(section.view.from, from) - moved, Math.min(section.view.to, to) - moved];
        for (let at = Math.ceil(first / step - 1e-9) * step; at <= last + 1e-9; at += step) {
          ticks.push({ at, x: Math.round(section.x(at + moved)) + 0.5 });
        }
      }
      return ticks.sort((one, other) => Number(other.at === 0) - Number(one.at === 0));
    }

    /** What each line in view is called, at its foot, as far as there is room; gives the names. */
    drawLineNames(context, section) {
      const { plot } = section;
      const named = [];
      for (const { name, from, to } of this.lines.spans) {
        const [left, right] = [Math.max(section.x(from), plot.left), Math.min(section.x(to), plot.right)];
        if (right - left < NAME_FROM_PX) continue;
        let text = name;
        while (text && section.textWidth(text, { bold: true }) > right - left - 8) text = text.slice(0, -2);
        if (!text) continue;
        section.write(text === name ? name : `${text}…`, left + 5, plot.bottom - 9, { align: "left", bold: true });
        named.push(name);
      }
      return named;
    }
  }

  Object.assign(geofence, { SectionAxes });
})((window.geofence = window.geofence || {}));
