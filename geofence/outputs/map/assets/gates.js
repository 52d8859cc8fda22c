/* Gates: how their leaves open, as a plan of a house shows its doors. */
(function (geofence) {
  "use strict";

  const { style } = geofence;
  const LEAST_PX = 5; // leaves shorter than this on screen are left out
  const TINT = 0.24;
  const BESIDE_PX = 6; // a leaf that slides stands open this far beside the fence
  const WORDS = {
    left: "to the left", right: "to the right", both: "to both sides", slide: "slides along the fence",
    none: "an opening without a leaf", "not stated": "not stated",
  };

  class Gates {
    constructor(plan) {
      this.plan = plan;
      this.gates = plan.gates.map((gate) => ({ ...gate, ways: gate.ways.map((way) => this.read(way)) }));
      this.byBay = new Map(this.gates.map((gate) => [gate.bay, gate]));
    }

    read(way) {
      const [lng, lat] = ["lon_deg", "lat_deg"].map((name) =>
        geofence.unpack(way[name], way.count).map((number) => number / 10 ** way[name].decimals),
      );
      const { x, y } = this.plan.posts;
      return { ...way, hinge: [x[way.post], y[way.post]], tips: Array.from(lng, (deg, row) => geofence.project(deg, lat[row])) };
    }

    /** What a bay's gate is called, and how it opens; null where the bay is none. */
    of(bay) {
      const gate = this.byBay.get(bay);
      if (!gate) return null;
      const opens = WORDS[gate.swing] || gate.swing;
      const angle = gate.ways.length && gate.ways[0].open_deg ? `, ${gate.ways[0].open_deg}°` : "";
      return { name: gate.name, leaves: gate.leaves, opens: `${opens}${angle}` };
    }

    /** Each leaf's way in view: a tinted sector, its tip's arc, and the leaf where it stands open. */
    draw(context, frame) {
      let drawn = 0;
      for (const { ways } of this.gates) {
        for (const { hinge, tips, side } of ways) {
          const at = ([x, y]) => [x * frame.scale - frame.left, y * frame.scale - frame.top];
          const [post, tip] = [at(hinge), tips.map(at)];
          const length = Math.hypot(tip[tip.length - 1][0] - post[0], tip[tip.length - 1][1] - post[1]);
          const away = post[0] < -length || post[1] < -length || post[0] > frame.width + length || post[1] > frame.height + length;
          if (length < LEAST_PX || away) continue;
          drawn++;
          if (side === "slide") slid(context, post, tip[1], length);
          else swung(context, post, tip);
        }
      }
      return { leaves: drawn };
    }
  }

  function swung(context, post, tip) {
    const sector = new Path2D();
    const arc = new Path2D();
    sector.moveTo(...post);
    tip.forEach((point, row) => {
      sector.lineTo(...point);
      if (row) arc.lineTo(...point);
      else arc.moveTo(...point);
    });
    sector.closePath();
    context.fillStyle = style.SWING;
    context.globalAlpha = TINT;
    context.fill(sector);
    context.globalAlpha = 1;
    context.strokeStyle = style.SWING_LINE;
    context.lineWidth = 1.2;
    context.setLineDash([4, 3]);
    context.stroke(arc);
    context.setLineDash([]);
    leaf(context, post, tip[tip.length - 1]);
  }

  function slid(context, [ax, ay], [bx, by], length) {
    const [east, south] = [(-(by - ay) / length) * BESIDE_PX, ((bx - ax) / length) * BESIDE_PX];
    leaf(context, [ax + east, ay + south], [bx + east, by + south]);
  }

  function leaf(context, from, to) {
    context.beginPath();
    context.moveTo(...from);
    context.lineTo(...to);
    context.strokeStyle = style.SWING_LINE;
    context.lineWidth = 2.4;
    context.stroke();
  }

  /** A door as the legend shows it. */
  geofence.swingSwatch = () =>
    geofence.swatch(46, 22, (context) => {
      const tip = Array.from({ length: 13 }, (_, row) => {
        const angle = (row / 12) * (Math.PI / 2);
        return [13 + 19 * Math.cos(angle), 20 - 19 * Math.sin(angle)];
      });
      swung(context, [13, 20], tip);
    });

  Object.assign(geofence, { Gates });
})((window.geofence = window.geofence || {}));
