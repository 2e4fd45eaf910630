"use strict";
// The mesh of a character, skinned and drawn without the graphics card: pixel by pixel, the nearest face first seen.
const meshes = (() => {
  const LIGHT = [-0.42, 0.68, 0.6], AMBIENT = 0.5, FINE = 2;  // from the viewer's upper left; pixels of it for each of the page's
  const bytes = (text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const integers = (text, size, signed) => {
    const raw = bytes(text), view = new DataView(raw.buffer), count = raw.length / size;
    const read = size === 1 ? (k) => raw[k] : size === 2 ? (k) => (signed ? view.getInt16(2 * k, true) : view.getUint16(2 * k, true)) : (k) => view.getUint32(4 * k, true);
    return Array.from({length: count}, (_, k) => read(k));
  };

  const sum = (values, k) => values[k] + values[k + 1] + values[k + 2] + values[k + 3] || 1;

  const read = (data) => {
    const points = Float32Array.from(integers(data.points, 2, true), (value) => value * data.unit);
    const held = bytes(data.weights);
    return {
      points, count: points.length / 3,
      slots: Uint16Array.from(integers(data.slots, data.binds.length > 256 ? 2 : 1)),
      weights: Float32Array.from(held, (value, k) => value / sum(held, k - k % 4)),
      triangles: Uint32Array.from(integers(data.triangles, points.length / 3 > 65536 ? 4 : 2)),
      shades: bytes(data.shades), palette: data.palette, binds: data.binds, turning: data.turning,
      seen: new Float32Array(points.length), normals: new Float32Array(points.length), bright: new Float32Array(points.length / 3),
    };
  };

  // Where joints have what hangs on them: a row of twelve numbers for each bind, seen from the viewer.
  const matrices = (mesh, joints, turns, view) => {
    const out = new Float32Array(12 * mesh.binds.length);
    mesh.binds.forEach(([turning, bind], b) => {
      let [w, x, y, z] = [0, 1, 2, 3].map((k) => turns[4 * turning + k]);
      const size = 1 / (Math.hypot(w, x, y, z) || 1);
      w *= size; x *= size; y *= size; z *= size;
      const turned = [
        1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w),
        2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w),
        2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)];
      const at = joints[mesh.turning[turning]];
      for (let column = 0; column < 4; column++) {
        const model = [0, 1, 2].map((row) => (column === 3 ? at[row] : 0) +
          turned[3 * row] * bind[column] + turned[3 * row + 1] * bind[4 + column] + turned[3 * row + 2] * bind[8 + column]);
        view(model, column === 3).forEach((value, row) => { out[12 * b + 4 * row + column] = value; });
      }
    });
    return out;
  };

  const skin = (mesh, placed) => {
    const {points, slots, weights, seen, count} = mesh;
    for (let v = 0; v < count; v++) {
      const px = points[3 * v], py = points[3 * v + 1], pz = points[3 * v + 2];
      let x = 0, y = 0, z = 0;
      for (let k = 4 * v; k < 4 * v + 4; k++) {
        const weight = weights[k], m = 12 * slots[k];
        if (!weight) continue;
        x += weight * (placed[m] * px + placed[m + 1] * py + placed[m + 2] * pz + placed[m + 3]);
        y += weight * (placed[m + 4] * px + placed[m + 5] * py + placed[m + 6] * pz + placed[m + 7]);
        z += weight * (placed[m + 8] * px + placed[m + 9] * py + placed[m + 10] * pz + placed[m + 11]);
      }
      seen[3 * v] = x; seen[3 * v + 1] = y; seen[3 * v + 2] = z;
    }
  };

  const shade = (mesh) => {  // how bright each vertex is, by the mean of its faces
    const {seen, normals, triangles, bright, count} = mesh;
    normals.fill(0);
    for (let t = 0; t < triangles.length; t += 3) {
      const a = 3 * triangles[t], b = 3 * triangles[t + 1], c = 3 * triangles[t + 2];
      const ux = seen[b] - seen[a], uy = seen[b + 1] - seen[a + 1], uz = seen[b + 2] - seen[a + 2];
      const vx = seen[c] - seen[a], vy = seen[c + 1] - seen[a + 1], vz = seen[c + 2] - seen[a + 2];
      const n = [uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx];
      for (const corner of [a, b, c]) for (let k = 0; k < 3; k++) normals[corner + k] += n[k];
    }
    for (let v = 0; v < count; v++) {
      const x = normals[3 * v], y = normals[3 * v + 1], z = normals[3 * v + 2], size = (z < 0 ? -1 : 1) / (Math.hypot(x, y, z) || 1);
      bright[v] = AMBIENT + (1 - AMBIENT) * Math.max(size * (x * LIGHT[0] + y * LIGHT[1] + z * LIGHT[2]), 0);
    }
  };

  const draft = document.createElement("canvas");
  let depths = new Float32Array(0);

  // Draw into `pen` a mesh whose joints are there; `view` takes a point (or with false a way) to right, up, to the viewer in metres.
  const draw = (pen, ratio, mesh, joints, turns, view, middle, floor, scale, room) => {
    skin(mesh, matrices(mesh, joints, turns, view));
    shade(mesh);
    const {seen, triangles, bright, shades, palette} = mesh, fine = FINE * ratio, big = fine * scale;
    let left = Infinity, right = -Infinity, top = Infinity, low = -Infinity;
    for (let v = 0; v < seen.length; v += 3) {
      seen[v] = fine * middle + big * seen[v];
      seen[v + 1] = fine * floor - big * seen[v + 1];
      left = Math.min(left, seen[v]); right = Math.max(right, seen[v]);
      top = Math.min(top, seen[v + 1]); low = Math.max(low, seen[v + 1]);
    }
    left = Math.max(Math.floor(left), Math.floor(fine * room[0])); right = Math.min(Math.ceil(right), Math.ceil(fine * room[1]));
    top = Math.max(Math.floor(top), 0); low = Math.min(Math.ceil(low), Math.ceil(fine * room[2]));
    const width = right - left + 1, height = low - top + 1;
    if (!(width > 0 && height > 0)) return;
    if (depths.length < width * height) depths = new Float32Array(width * height);
    depths.fill(-Infinity, 0, width * height);
    draft.width = width; draft.height = height;
    const paper = draft.getContext("2d"), image = paper.createImageData(width, height), ink = image.data;
    for (let t = 0; t < triangles.length; t += 3) {
      const a = triangles[t], b = triangles[t + 1], c = triangles[t + 2];
      const ax = seen[3 * a] - left, ay = seen[3 * a + 1] - top, bx = seen[3 * b] - left, by = seen[3 * b + 1] - top;
      const cx = seen[3 * c] - left, cy = seen[3 * c + 1] - top, area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax);
      if (!area) continue;
      const colour = palette[shades[t / 3]], az = seen[3 * a + 2], bz = seen[3 * b + 2], cz = seen[3 * c + 2];
      const x0 = Math.max(Math.ceil(Math.min(ax, bx, cx) - 0.5), 0), x1 = Math.min(Math.floor(Math.max(ax, bx, cx) - 0.5), width - 1);
      const y0 = Math.max(Math.ceil(Math.min(ay, by, cy) - 0.5), 0), y1 = Math.min(Math.floor(Math.max(ay, by, cy) - 0.5), height - 1);
      for (let y = y0; y <= y1; y++) for (let x = x0; x <= x1; x++) {
        const u = ((bx - x - 0.5) * (cy - y - 0.5) - (by - y - 0.5) * (cx - x - 0.5)) / area;
        const v = ((cx - x - 0.5) * (ay - y - 0.5) - (cy - y - 0.5) * (ax - x - 0.5)) / area, w = 1 - u - v;
        if (u < 0 || v < 0 || w < 0) continue;
        const place = y * width + x, near = u * az + v * bz + w * cz;
        if (near <= depths[place]) continue;
        depths[place] = near;
        const light = u * bright[a] + v * bright[b] + w * bright[c];
        for (let k = 0; k < 3; k++) ink[4 * place + k] = light * colour[k];
        ink[4 * place + 3] = 255;
      }
    }
    paper.putImageData(image, 0, 0);
    pen.drawImage(draft, left / fine, top / fine, width / fine, height / fine);
  };
  return {read, draw};
})();
