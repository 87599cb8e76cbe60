// The site page: numbers against the database, range by buttons, keys and drag, CSV, and life without script.
import assert from 'node:assert/strict';
import test from 'node:test';
import { someSite, sql, until, withPage } from './support.mjs';

const site = await someSite();

async function open(page, query = '') {
  await page.goto(`/site/${site.id}${query}`);
  await until(page, () => document.querySelectorAll('#charts canvas').length === 5);
}

test('the phases stand side by side with nameplate and settings from the inventory', async () => {
  const regulators = await sql(
    'select r.phase, r.kva, r.ct_ratio from regulator r join bank b on b.id = r.bank_id where b.site_id = $1 and r.retired_at is null order by b.name, r.phase',
    [site.id],
  );
  await withPage({}, async (page) => {
    await open(page);
    assert.equal(await page.locator('h1').textContent(), site.name);
    const heads = await page.locator('#present thead th').allTextContents();
    assert.equal(heads.length, regulators.length + 1);
    const plate = await page.locator('section:has(#plate-title) tr', { hasText: 'Rated power' }).locator('td').allTextContents();
    assert.deepEqual(plate.map(parseFloat), regulators.map((r) => r.kva));
  });
});

test('the chart data of a day are the readings of the database', async () => {
  const to = new Date(Date.now() - 60_000);
  const from = new Date(to - 3_600_000);
  await withPage({}, async (page) => {
    await open(page);
    const data = await page.evaluate(
      async ([id, from, to]) => (await fetch(`/site/${id}/trend.json?from=${from}&to=${to}`)).json(),
      [site.id, from.toISOString(), to.toISOString()],
    );
    for (const { id, series } of data.regulators) {
      const rows = await sql(
        `select measured_at, case when quality_of(quality, 0) = 1 then load_voltage end as volts from reading
          where regulator_id = $1 and measured_at >= $2 and measured_at < $3 order by measured_at`,
        [id, from, to],
      );
      const stored = rows.filter((r) => r.volts !== null).map((r) => [r.measured_at.getTime(), r.volts]);
      const shown = series.t.map((t, i) => [t, series.columns[0].value[i]]).filter(([, v]) => v !== null);
      assert.deepEqual(shown, stored);
    }
  });
});

test('buttons, keys and a drag change one range for all charts, and the address with it', async () => {
  await withPage({}, async (page) => {
    await open(page);
    await page.getByRole('link', { name: '6 hours' }).click();
    assert.equal(new URL(page.url()).search, '?span=6h');
    await page.getByRole('button', { name: 'Zoom in' }).click();
    const zoomed = new URL(page.url()).searchParams;
    const length = (p) => Date.parse(p.get('to')) - Date.parse(p.get('from'));
    assert.ok(Math.abs(length(zoomed) - 6 * 3_600_000 / 1.6) < 5000);
    await page.locator('#charts').focus();
    await page.keyboard.press('ArrowLeft');
    const moved = new URL(page.url()).searchParams;
    assert.ok(Date.parse(moved.get('from')) < Date.parse(zoomed.get('from')));
    await page.keyboard.press('-');
    assert.ok(length(new URL(page.url()).searchParams) > length(moved));

    const box = await page.locator('#charts .u-over').first().boundingBox();
    await page.mouse.move(box.x + box.width * 0.25, box.y + box.height / 2);
    await page.mouse.down();
    await page.mouse.move(box.x + box.width * 0.5, box.y + box.height / 2, { steps: 5 });
    const before = length(new URL(page.url()).searchParams);
    await page.mouse.up();
    await until(page, (before) => {
      const p = new URLSearchParams(location.search);
      const now = Date.parse(p.get('to')) - Date.parse(p.get('from'));
      return Math.abs(now / before - 0.25) < 0.05;
    }, before);
    const csv = new URL(await page.locator('#csv').evaluate((a) => a.href)).searchParams;
    assert.equal(csv.get('from'), new URL(page.url()).searchParams.get('from'));
  });
});

test('a year comes without waiting and the address opens the same range again', async () => {
  await withPage({}, async (page) => {
    await open(page, '?span=1y');
    assert.equal(await page.getByRole('link', { name: '1 year' }).getAttribute('aria-current'), 'true');
    await until(page, () => document.getElementById('range-words').textContent.endsWith('days'));
  });
});

test('the CSV holds what is shown', async () => {
  const to = new Date(Date.now() - 60_000).toISOString();
  const from = new Date(Date.parse(to) - 600_000).toISOString();
  await withPage({}, async (page) => {
    await open(page);
    const text = await page.evaluate(async ([id, from, to]) => (await fetch(`/site/${id}/trend.csv?from=${from}&to=${to}`)).text(), [site.id, from, to]);
    const [head, ...lines] = text.trim().split('\r\n');
    assert.equal(head, 'regulator,utc,local,load_voltage_v,current_a,real_power_kw,tap');
    const [{ count }] = await sql(
      `select count(*)::int from reading x join regulator r on r.id = x.regulator_id join bank b on b.id = r.bank_id
        where b.site_id = $1 and r.retired_at is null and measured_at >= $2 and measured_at < $3
        and (quality_of(quality, 0) = 1 or quality_of(quality, 2) = 1 or quality_of(quality, 3) = 1 or quality_of(quality, 6) = 1)`,
      [site.id, from, to],
    );
    assert.equal(lines.length, count);
  });
});

test('without script a drawing and tables stand in, and ranges are links', async () => {
  await withPage({ javaScriptEnabled: false }, async (page) => {
    await page.goto(`/site/${site.id}`);
    assert.equal(await page.locator('noscript .strip svg').count(), 4);
    assert.ok((await page.locator('noscript .strip polyline').count()) > 0);
    assert.ok((await page.locator('#summary td').first().textContent()).includes(' / '));
    await page.getByRole('link', { name: '7 days' }).click();
    assert.equal(new URL(page.url()).search, '?span=7d');
    await page.getByRole('link', { name: 'Earlier' }).click();
    assert.ok(new URL(page.url()).searchParams.has('from'));
  });
});
