"""A wire whose far end is a list of answers, in a time of its own."""


class Script:
    """Each time it is asked it gives the next answer: (bytes, delay in s).

    "echo" for bytes is what was asked; None, or no answer left, is silence.
    """

    name = "the script"

    def __init__(self, *answers):
        self.asked = []
        self._answers = list(answers)
        self._due = []
        self._now_s = 0.0

    def open(self):
        pass

    def close(self):
        pass

    def write(self, data):
        self.asked.append(data)
        answer, delay_s = self._answers.pop(0) if self._answers else (None, 0)
        if answer == "echo":
            answer = data
        if answer is not None:
            self._due.append((self._now_s + delay_s, answer))

    def read(self, timeout_s):
        until_s = self._now_s + timeout_s
        if self._due and self._due[0][0] <= until_s:
            due_s, answer = self._due.pop(0)
            self._now_s = max(self._now_s, due_s)
            return answer
        self._now_s = until_s
        return b""

    def pause(self, seconds):
        self._now_s += seconds

    def clock_s(self):
        return self._now_s
