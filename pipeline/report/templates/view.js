"use strict";
(() => {
  const go = document.getElementById("go"), stage = document.getElementById("turn");
  const looks = document.getElementById("looks"), said = document.getElementById("said");
  const eyes = { front: [0, -1, 0], right: [1, 0, 0], back: [0, 1, 0], left: [-1, 0, 0], top: [0, 0, 1], underside: [0, 0, -1] };
  const load = (address) => new Promise((done, fail) => {
    const script = document.createElement("script");
    script.src = address; script.onload = done; script.onerror = () => fail(new Error(address));
    document.head.append(script);
  });
  const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer;
  const shaded = ([r, g, b], light) => `rgb(${Math.round(r * light)},${Math.round(g * light)},${Math.round(b * light)})`;
  let view, flat, faces, light;

  // Light is painted into the faces: what the library lights itself drops the normals of small triangles.
  const lights = () => Float32Array.from({ length: faces.length / 3 }, (_, i) => {
    const [a, b, c] = [0, 1, 2].map((k) => [0, 1, 2].map((axis) => flat[3 * faces[3 * i + k] + axis]));
    const u = b.map((x, k) => x - a[k]), v = c.map((x, k) => x - a[k]);
    const n = [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]];
    const size = Math.hypot(...n) || 1;
    const lamp = Math.max(0, (-0.35 * n[0] - 0.62 * n[1] + 0.7 * n[2]) / size);
    const side = Math.max(0, (0.8 * n[0] + 0.3 * n[1]) / size);
    return 0.5 + 0.4 * lamp + 0.12 * side + 0.08 * (n[2] / size);
  });

  const colours = (look) => {
    const c = view.colours;
    if (look === "plain" || !view[look]) return Array.from(light, (l) => shaded(c.plain, Math.min(1, 1.1 * l)));
    const values = new Uint8Array(bytes(view[look]));
    const table = { band: c.bands, side: c.sides, filled: [c.plain, c.filled] }[look];
    return Array.from(values, (v, i) => shaded(v === 255 ? c.unknown : table[v % table.length], 0.55 + 0.45 * Math.min(1, light[i])));
  };
  const camera = (x, y, z) => ({ eye: { x: 1.3 * x, y: 1.3 * y, z: 1.3 * z }, up: Math.abs(z) > 0.9 && !x && !y ? { x: 0, y: 1, z: 0 } : { x: 0, y: 0, z: 1 }, projection: { type: "orthographic" } });

  const show = () => {
    flat = new Uint16Array(bytes(view.vertices));
    const n = flat.length / 3;
    faces = view.wide ? new Uint32Array(bytes(view.faces)) : new Uint16Array(bytes(view.faces));
    light = lights();
    const axis = (k) => Float32Array.from({ length: n }, (_, i) => view.origin[k] + view.step * flat[3 * i + k]);
    const corner = (k) => Uint32Array.from({ length: faces.length / 3 }, (_, i) => faces[3 * i + k]);
    const mesh = {
      type: "mesh3d", x: axis(0), y: axis(1), z: axis(2), i: corner(0), j: corner(1), k: corner(2),
      facecolor: colours("plain"), hovertemplate: "x %{x:.2f} mm<br>y %{y:.2f} mm<br>z %{z:.2f} mm<extra></extra>",
      lighting: { ambient: 1, diffuse: 0, specular: 0, fresnel: 0 },
    };
    const hidden = { visible: false };
    const layout = {
      margin: { l: 0, r: 0, t: 0, b: 0 }, paper_bgcolor: "rgba(0,0,0,0)", uirevision: 1,
      scene: { aspectmode: "data", xaxis: hidden, yaxis: hidden, zaxis: hidden, camera: camera(0.5, -0.75, 0.45) },
    };
    return Plotly.newPlot(stage, [mesh], layout, { responsive: true, displaylogo: false, displayModeBar: false });
  };

  go.addEventListener("click", async () => {
    go.disabled = true; said.textContent = "Loading the surface…";
    try {
      await Promise.all([window.Plotly ? null : load(go.dataset.library), load(go.dataset.view)]);
      view = window.nightmillView;
      stage.classList.add("on");
      await show();
      go.hidden = true; looks.hidden = false; said.textContent = "Drag to turn, scroll or pinch to come closer.";
    } catch (error) {
      go.disabled = false; stage.classList.remove("on");
      said.textContent = `The 3D view cannot be shown here (${error.message}). The pictures show the same surface.`;
    }
  });
  looks.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.eye) return void Plotly.relayout(stage, { "scene.camera": camera(...eyes[button.dataset.eye]) });
    for (const other of looks.querySelectorAll("[data-look]")) other.setAttribute("aria-pressed", other === button);
    Plotly.restyle(stage, { facecolor: [colours(button.dataset.look)] });
  });
})();
