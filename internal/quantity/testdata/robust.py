# Prints trials: the values x; the values y; median, 1.4826 MAD, amount of Theil's incomplete slope (values 0.2 s apart), Pearson's
# correlation of the residuals from the least-squares lines, circular median of three, noise by pseudo-residuals (Gasser et al. 1986).
import math, random, statistics

def detrend(v):
    n = len(v)
    t = [i - (n - 1) / 2 for i in range(n)]
    slope = sum(a * b for a, b in zip(t, v)) / sum(a * a for a in t)
    mean = statistics.fmean(v)
    return [b - mean - slope * a for a, b in zip(t, v)]

def pearson(x, y):
    mx, my = statistics.fmean(x), statistics.fmean(y)
    return sum((a - mx) * (b - my) for a, b in zip(x, y)) / math.sqrt(sum((a - mx) ** 2 for a in x) * sum((b - my) ** 2 for b in y))

random.seed(7)
for _ in range(60):
    n = random.randrange(8, 90)
    x = [random.gauss(10, 3) + 0.1 * i for i in range(n)]
    y = [random.uniform(0, 1) + 0.3 * a for a in x]
    y[:3] = [random.uniform(5.6, 6.9) % (2 * math.pi) for _ in range(3)]
    med = statistics.median(x)
    mad = 1.4826 * statistics.median([abs(a - med) for a in x])
    half = n // 2
    slope = abs(statistics.median([(x[i + half] - x[i]) / (0.2 * half) for i in range(half)]))
    turned = sorted((a - 2 * math.pi if a > math.pi else a) for a in y[:3])
    noise = 1.4826 * statistics.median([abs((x[i - 1] + x[i + 1]) / 2 - x[i]) / math.sqrt(1.5) for i in range(1, n - 1)])
    print(" ".join(map(repr, x)), " ".join(map(repr, y)), " ".join(map(repr, [med, mad, slope, pearson(detrend(x), detrend(y)), turned[1], noise])), sep=";")
