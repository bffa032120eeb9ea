/* A bad card under one program, for LD_PRELOAD. The file BAD_CARD_FILE says two numbers: the seconds that each sync
   of a file takes, and the error (errno) with which each write at a place in a file fails; 0 0 is a good card. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/types.h>
#include <time.h>

static int told(double *seconds)
{
    const char *path = getenv("BAD_CARD_FILE");
    FILE *file = path ? fopen(path, "r") : NULL;
    int error = 0;
    *seconds = 0;
    if (file) {
        if (fscanf(file, "%lf %d", seconds, &error) != 2)
            *seconds = 0, error = 0;
        fclose(file);
    }
    return error;
}

static void sync_slowly(void)
{
    double seconds;
    told(&seconds);
    if (seconds > 0) {
        struct timespec rest = {(time_t)seconds, (long)((seconds - (time_t)seconds) * 1e9)};
        nanosleep(&rest, NULL);
    }
}

int fsync(int file)
{
    sync_slowly();
    return ((int (*)(int))dlsym(RTLD_NEXT, "fsync"))(file);
}

int fdatasync(int file)
{
    sync_slowly();
    return ((int (*)(int))dlsym(RTLD_NEXT, "fdatasync"))(file);
}

ssize_t pwrite64(int file, const void *data, size_t size, off64_t at)
{
    double seconds;
    int error = told(&seconds);
    if (error) {
        errno = error;
        return -1;
    }
    return ((ssize_t (*)(int, const void *, size_t, off64_t))dlsym(RTLD_NEXT, "pwrite64"))(file, data, size, at);
}

ssize_t pwrite(int file, const void *data, size_t size, off_t at)
{
    return pwrite64(file, data, size, at);
}
