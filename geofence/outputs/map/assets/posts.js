/* Posts on the sheet: dots, shapes or true to size, with their holes and names. */
(function (geofence) {
  "use strict";

  const { style, drawPost, postLook } = geofence;
  const NAMES_FROM_PX = 54; // of post spacing: from here posts have their names
  const HOLES_FROM_PX = 14; // of a hole's width
  const DOT_PX = 1.9;
  const NAME_AWAY_PX = 12;
  const OUTLINE_PX = 12;

  class Posts {
    constructor(plan) {
      this.plan = plan;
      this.apart = []; // rows of those that are no line posts
      for (let post = 0; post < plan.posts.count; post++) if (plan.posts.kind(post) !== "line") this.apart.push(post);
    }

    /** Calls `visit(post, x, y)` once for each post of the frame's runs that is on the canvas or near it. */
    each(frame, marginPx, visit) {
      const { from, to } = this.plan.bays;
      const see = this.seer(frame, marginPx, visit);
      for (const run of frame.runs) {
        for (let bay = run.first; bay < run.last; bay++) {
          see(from[bay]);
          // The last post of a stretch; a ring's last bay ends at its first post, which has had its turn.
          if (to[bay] !== from[bay + 1] && to[bay] > from[bay]) see(to[bay]);
        }
      }
    }

    /** A function that calls `visit(post, x, y)` if a post is on the canvas or near it. */
    seer({ scale, left, top, width, height }, marginPx, visit) {
      const { x, y } = this.plan.posts;
      return (post) => {
        const px = x[post] * scale - left;
        const py = y[post] * scale - top;
        if (px < -marginPx || py < -marginPx || px > width + marginPx || py > height + marginPx) return;
        visit(post, px, py);
      };
    }

    draw(context, frame, labels) {
      const { kind } = this.plan.posts;
      const full = frame.spacingPx >= style.SHAPES_FROM_PX;
      const [dots, shapes] = [[], []];
      const gather = (post, px, py) => (full || kind(post) !== "line" ? shapes : dots).push([post, px, py]);
      if (frame.spacingPx >= style.DOTS_FROM_PX) this.each(frame, 12, gather);
      else this.apart.forEach(this.seer(frame, 12, gather));
      fillDots(context, dots);
      const holePx = this.plan.system.hole_diameter_m * frame.pxPerMetre;
      if (holePx > HOLES_FROM_PX) strokeHoles(context, shapes, holePx / 2);
      // From afar those that stand out are thinned, so that each can be told.
      const apart = full ? shapes : shapes.filter(([, px, py]) => labels.room.take(px, py, 4, 4));
      this.drawShapes(context, frame, apart, full ? 1 : 0.8);
      return { posts: dots.length + apart.length };
    }

    drawShapes(context, frame, posts, scale) {
      const side = this.plan.system.post_width_m * frame.pxPerMetre;
      const trueSize = side > 2 * style.POSTS.line.radius;
      for (const [post, px, py] of posts) {
        if (trueSize) this.drawTrue(context, post, px, py, side);
        else drawPost(context, this.plan.posts.kind(post), px, py, scale);
      }
    }

    /** A post at its true width, square to the fence ahead. */
    drawTrue(context, post, px, py, side) {
      const { dx, dy } = this.ahead(post);
      context.save();
      context.translate(px, py);
      context.rotate(Math.atan2(dy, dx));
      context.fillStyle = postLook(this.plan.posts.kind(post)).fill;
      context.strokeStyle = style.INK;
      context.lineWidth = 1.6;
      context.fillRect(-side / 2, -side / 2, side, side);
      context.strokeRect(-side / 2, -side / 2, side, side);
      context.restore();
    }

    /** Unit direction on screen of the fence at a post: of the bay ahead, or of the one behind where it ends. */
    ahead(post) {
      const { x, y, ahead, behind } = this.plan.posts;
      const bay = ahead[post] >= 0 ? ahead[post] : behind[post];
      const [from, to] = [this.plan.bays.from[bay], this.plan.bays.to[bay]];
      const [dx, dy] = [x[to] - x[from], y[to] - y[from]];
      const length = Math.hypot(dx, dy) || 1;
      return { dx: dx / length, dy: dy / length };
    }

    /** The ring around a post that is picked. */
    outline(context, { scale, left, top }, post) {
      const { x, y } = this.plan.posts;
      context.arc(x[post] * scale - left, y[post] * scale - top, OUTLINE_PX, 0, 2 * Math.PI);
    }

    /** Names left of the fence; those of corners, gates and ends come before those of the line posts beside them. */
    label(labels, frame) {
      if (frame.spacingPx < NAMES_FROM_PX) return;
      const { kind, names } = this.plan.posts;
      const [first, others] = [[], []];
      this.each(frame, 0, (...seen) => (kind(seen[0]) === "line" ? others : first).push(seen));
      const reach = Math.max(9, (this.plan.system.hole_diameter_m * frame.pxPerMetre) / 2) + NAME_AWAY_PX;
      for (const [post, px, py] of [...first, ...others]) {
        const { dx, dy } = this.ahead(post);
        labels.write(names.name(post), px + dy * reach * 1.15, py - dx * reach, { bold: true });
      }
    }

    /** The nearest post within reach of a place, or under it where posts are drawn larger than that. */
    hit(frame, place, reach) {
      const near = Math.min(reach, Math.max(3.5, frame.spacingPx * 0.35));
      let [best, nearest] = [null, Math.max(near, (this.plan.system.post_width_m * frame.pxPerMetre) / 2)];
      this.each(frame, reach, (post, px, py) => {
        const distance = Math.hypot(px - place.x, py - place.y);
        if (distance <= nearest) [best, nearest] = [{ part: "post", row: post }, distance];
      });
      return best;
    }
  }

  function traceDiscs(context, posts, radius) {
    context.beginPath();
    for (const [, px, py] of posts) {
      context.moveTo(px + radius, py);
      context.arc(px, py, radius, 0, 2 * Math.PI);
    }
  }

  function fillDots(context, posts) {
    traceDiscs(context, posts, DOT_PX);
    context.fillStyle = style.INK;
    context.fill();
  }

  function strokeHoles(context, posts, radius) {
    traceDiscs(context, posts, radius);
    context.fillStyle = style.HOLE;
    context.fill();
    context.strokeStyle = style.INK;
    context.lineWidth = 1;
    context.setLineDash([4, 3]);
    context.stroke();
    context.setLineDash([]);
  }

  Object.assign(geofence, { Posts });
})((window.geofence = window.geofence || {}));
