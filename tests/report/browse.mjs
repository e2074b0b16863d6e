// Opens pages in Chromium as people do, and tells what happened as JSON.
// node browse.mjs PLAYWRIGHT AXE CHROMIUM ORDERS.json
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
const [playwright, axe, executablePath, file] = process.argv.slice(2);
const { chromium } = createRequire(import.meta.url)(playwright);
const axeCode = readFileSync(axe, "utf8");
const args = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
  "--disable-component-update", "--disable-sync", "--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"];
const browser = await chromium.launch({ executablePath, args });
const told = [];
for (const order of JSON.parse(readFileSync(file, "utf8"))) {
  const context = await browser.newContext({ viewport: { width: order.width ?? 1280, height: 900 }, colorScheme: order.scheme ?? "light", bypassCSP: order.axe ?? false });
  const page = await context.newPage();
  const seen = { requests: [], errors: [], violations: [] };
  page.on("request", (request) => seen.requests.push(request.url()));
  page.on("console", (message) => { if (["error", "warning"].includes(message.type())) seen.errors.push(message.text()); });
  page.on("pageerror", (error) => seen.errors.push(String(error)));
  const begun = performance.now();
  await page.goto(order.url);
  seen.milliseconds = performance.now() - begun;
  for (const [verb, ...rest] of order.steps ?? []) {
    if (verb === "click") await page.click(rest[0]);
    if (verb === "press") await page.keyboard.press(rest[0]);
    if (verb === "type") await page.fill(rest[0], rest[1]);
    if (verb === "choose") await page.selectOption(rest[0], rest[1]);
    if (verb === "wait") await page.waitForSelector(rest[0], { timeout: 60000 });
    if (verb === "read") (seen.read ??= []).push(await page.evaluate(rest[0]));
  }
  seen.overflow = await page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth");
  if (order.axe) {
    await page.evaluate(axeCode);
    const found = await page.evaluate("axe.run(document, { resultTypes: ['violations'] })");
    seen.violations = found.violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.html.slice(0, 120)).join(" | ")}`);
  }
  if (order.shot) await page.screenshot({ path: order.shot, fullPage: true });
  told.push(seen);
  await context.close();
}
await browser.close();
console.log(JSON.stringify(told));
