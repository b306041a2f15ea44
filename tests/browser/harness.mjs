// One browser for many checks: a JSON object a line in, one a line out.
// No request but the page itself leaves the browser; each that tries is counted and told.

import { createInterface } from "node:readline";
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { chromium } from "playwright-core";
import pixelmatch from "pixelmatch";
import { PNG } from "pngjs";

const require = createRequire(import.meta.url);
const axeSource = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");

const browser = await chromium.launch({
  executablePath: process.argv[2],
  args: [
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--font-render-hinting=none", "--disable-lcd-text",
  ],
});

async function withPage(request, work) {
  const context = await browser.newContext({
    viewport: { width: request.width ?? 800, height: request.height ?? 600 },
    colorScheme: request.scheme ?? "light",
    javaScriptEnabled: request.scripts ?? true,
    offline: true,
    deviceScaleFactor: 1,
  });
  const requests = [];
  try {
    const page = await context.newPage();
    await page.route("**/*", (route) => {
      if (route.request().url() === request.url) return route.continue();
      requests.push(route.request().url());
      return route.abort();
    });
    if (request.media) await page.emulateMedia({ media: request.media, colorScheme: request.scheme ?? "light" });
    const messages = [];
    page.on("console", (message) => messages.push(message.text()));
    page.on("pageerror", (error) => messages.push(String(error)));
    await page.goto(request.url);
    const answer = await work(page);
    return { ...answer, requests, messages };
  } finally {
    await context.close();
  }
}

const operations = {
  look: (request) => withPage(request, async (page) => {
    if (request.grey) await page.evaluate(() => { document.documentElement.style.filter = "grayscale(1)"; });
    const png = await page.screenshot({ fullPage: request.whole ?? true, animations: "disabled" });
    const overflow = await page.evaluate(
      () => document.documentElement.scrollWidth - document.documentElement.clientWidth,
    );
    return { png: png.toString("base64"), overflow };
  }),
  evaluate: (request) => withPage(request, async (page) => ({
    value: await page.evaluate(`(${request.script})()`),
  })),
  axe: (request) => withPage(request, async (page) => {
    await page.evaluate(axeSource);
    const found = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ["violations"] }));
    return {
      violations: found.violations.map((one) => ({
        rule: one.id, help: one.help, where: one.nodes.slice(0, 5).map((node) => node.html.slice(0, 200)),
      })),
      rules_passed: found.passes.length,
    };
  }),
  press: (request) => withPage(request, async (page) => {
    const reached = [];
    for (const key of request.keys) {
      await page.keyboard.press(key);
      reached.push(await page.evaluate(() => {
        const one = document.activeElement;
        return { tag: one.tagName, text: (one.textContent ?? "").trim().slice(0, 80), url: location.hash,
          open: one.parentElement?.open ?? null };
      }));
    }
    return { reached };
  }),
  pdf: (request) => withPage(request, async (page) => {
    const pdf = await page.pdf({ format: request.format ?? "A4", preferCSSPageSize: true, printBackground: true });
    return { pdf: pdf.toString("base64") };
  }),
  compare: async (request) => {
    const [first, second] = request.pngs.map((png) => PNG.sync.read(Buffer.from(png, "base64")));
    if (first.width !== second.width || first.height !== second.height) {
      return { sizes: [[first.width, first.height], [second.width, second.height]], share: 1 };
    }
    const size = first.width * first.height;
    const different = pixelmatch(first.data, second.data, null, first.width, first.height, { threshold: 0.2 });
    return { share: different / size };
  },
};

for await (const line of createInterface({ input: process.stdin })) {
  let answer;
  try {
    const request = JSON.parse(line);
    answer = await operations[request.do](request);
  } catch (error) {
    answer = { error: String(error?.stack ?? error) };
  }
  process.stdout.write(`${JSON.stringify(answer)}\n`);
}
await browser.close();
