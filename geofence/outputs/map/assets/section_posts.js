/* Posts on the long-section, from their tops to their toes, with their names. */
(function (geofence) {
  "use strict";

  const { style } = geofence;
  const MOST_WIDTH_PX = 16;
  const NAMES_FROM_PX = 46; // of post spacing: from here posts have their names

  class SectionPosts {
    constructor(plan) {
      this.plan = plan;
      const { table } = plan.posts;
      const groundM = table.ground_level_m.values();
      this.topM = table.top_level_m.values();
      // A post that exists goes down nobody knows how far: it is drawn to the ground.
      this.toeM = table.toe_level_m.values().map((toe, row) => (Number.isNaN(toe) ? groundM[row] : toe));
    }

    /** Calls `visit(post, place)` for each post of some rows of bays, once. */
    each([first, last], visit) {
      const { bays, lines } = this.plan;
      for (let bay = first; bay < last; bay++) {
        visit(bays.from[bay], lines.bayFrom[bay]);
        if (bay + 1 === last || bays.from[bay + 1] !== bays.to[bay]) visit(bays.to[bay], lines.bayTo[bay]);
      }
    }

    /** Calls `visit` with each level of the posts of some rows of bays. */
    levels(rows, visit) {
      this.each(rows, (post) => {
        visit(this.topM[post]);
        visit(this.toeM[post]);
      });
    }

    draw(context, section, rows) {
      const width = Math.max(1, Math.min(this.plan.system.post_width_m * section.pxPerMetre, MOST_WIDTH_PX));
      let posts = 0;
      context.fillStyle = style.INK;
      this.each(rows, (post, place) => {
        const [top, toe] = [section.y(this.topM[post]), section.y(this.toeM[post])];
        context.fillRect(section.x(place) - width / 2, top, width, toe - top);
        posts++;
      });
      return { posts };
    }

    /** The frame around a post that is picked, on each line that it is of. */
    outline(context, section, post) {
      const [top, toe] = [section.y(this.topM[post]), section.y(this.toeM[post])];
      for (const place of this.plan.lines.placesOf(post)) context.rect(section.x(place) - 6, top - 4, 12, toe - top + 8);
    }

    label(section, rows) {
      if (section.spacingPx < NAMES_FROM_PX) return;
      this.each(rows, (post, place) => {
        section.label(this.plan.posts.names.name(post), section.x(place), section.y(this.topM[post]) - 9, { bold: true });
      });
    }
  }

  Object.assign(geofence, { SectionPosts });
})((window.geofence = window.geofence || {}));
