// Pictures of the main pages, light and dark, desk and phone, as PAGE-WIDTH-SCHEME.png: for the README and for eyes.
import assert from 'node:assert/strict';
import { mkdir, stat } from 'node:fs/promises';
import test from 'node:test';
import { fileURLToPath } from 'node:url';
import { someAlarm, someSite, sql, until, withPage } from './support.mjs';

const folder = process.env.SCREENSHOTS ?? fileURLToPath(new URL('../../docs/screenshots/', import.meta.url));
// The charts of a site take more or less, by what the day was like.
const LARGEST = 320 * 1024;
await mkdir(folder, { recursive: true });

// In the demo this site has more generation than load at noon.
const [reversing] = await sql("select id from site where name = 'Ottersprocket'");
const site = reversing ?? (await someSite());
const alarm = await someAlarm();

const pages = [
  { name: 'board', path: '/', ready: () => document.documentElement.dataset.live === 'yes' },
  { name: 'site', path: `/site/${site.id}?span=24h`, height: 1090, ready: () => document.querySelectorAll('#charts canvas').length === 5 },
  ...(alarm ? [{ name: 'alarm', path: `/alarms/${alarm.id}`, ready: () => document.readyState === 'complete' }] : []),
  { name: 'polling', path: '/polling', ready: () => document.readyState === 'complete' },
];

// Not for the README, but for whoever looks.
if (process.env.SCREENSHOTS) {
  const [rota] = await sql("select id from rota where area_kind = 'fleet'");
  const whole = () => document.readyState === 'complete';
  const more = { causes: '/causes', maintenance: '/maintenance', alarms: '/alarms?state=all', thresholds: '/thresholds', threshold: '/thresholds/reverse_power/delay_s', recipients: '/recipients', groups: '/alarms?view=groups', windows: '/windows', handover: '/handover', quality: '/alarm-quality', conditions: '/conditions', condition: '/conditions/reverse_power', rotas: '/rotas', rota: `/rotas/${rota.id}`, reach: '/reach', undelivered: '/undelivered', people: '/people', password: '/password' };
  pages.push(...Object.entries(more).map(([name, path]) => ({ name, path, ready: whole })));
}

for (const { name, path, ready, height = 900 } of pages) {
  for (const colorScheme of ['light', 'dark']) {
    for (const width of [1280, 390]) {
      test(`a picture of the ${name}, ${colorScheme} at ${width} px`, async () => {
        await withPage({ colorScheme, viewport: { width, height: width < 500 ? 844 : height } }, async (page) => {
          await page.goto(path);
          await until(page, ready);
          const file = `${folder}/${name}-${width}-${colorScheme}.png`;
          await page.screenshot({ path: file });
          assert.ok((await stat(file)).size < LARGEST, `${file} is larger than ${LARGEST} bytes`);
        });
      });
    }
  }
}
